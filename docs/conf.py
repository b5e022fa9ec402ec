"""Documentation site: ``python -m sphinx -W --keep-going -b html docs OUT``."""

import sys
from pathlib import Path

from geoirrig import __version__

sys.path.insert(0, str(Path(__file__).parent))

project = "geoirrig"
author = "the geoirrig authors"
version = release = __version__

extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "sphinx.ext.napoleon",
    "generated_reference",
]

# The pages are also read on a forge: links between files and to headings, as they are there.
myst_heading_anchors = 4

# A name in single backticks is code, as in the sources.
default_role = "code"
add_module_names = False
autodoc_member_order = "bysource"
autodoc_typehints_format = "short"
autodoc_type_aliases = {name: name for name in ("ArrayLike", "FloatArray", "IntArray", "BoolArray")}
maximum_signature_line_length = 80
napoleon_google_docstring = False
napoleon_use_param = False  # types are words here, "array_like, shape (n_rows, n_cols)": no links
napoleon_custom_sections = [("Attributes", "params_style")]  # and here
napoleon_use_rtype = False
toc_object_entries = False

html_theme = "furo"
html_title = f"geoirrig {release}"
html_static_path = ["site_style"]
html_css_files = ["site.css"]
html_show_copyright = html_show_sphinx = False
html_copy_source = False
html_theme_options = {
    "light_css_variables": {"color-brand-primary": "#1c3d6e", "color-brand-content": "#1f6489"},
    "dark_css_variables": {"color-brand-primary": "#8fc3e0", "color-brand-content": "#8fc3e0"},
}
