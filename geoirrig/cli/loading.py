"""The first step of every command that writes results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from geoirrig.cli.option_groups import OutputChoice, SiteChoice

if TYPE_CHECKING:
    from geoirrig.errors import ProblemList
    from geoirrig.workflows.load_site import LoadedSite


def load(
    site: SiteChoice,
    output: OutputChoice,
    *,
    problems: ProblemList | None = None,
    others: Mapping[str, Sequence[Path]] | None = None,
) -> LoadedSite:
    """Check the output folder and read the site.

    ``problems`` are those of the files that the command read beside the site, ``others``; they
    are told together with the site's own.
    """
    from geoirrig.compilation import needs_compiling
    from geoirrig.io.output_folder import check_output_folder
    from geoirrig.workflows.load_site import load_site

    check_output_folder(output.out, overwrite=output.overwrite)
    output.progress("Reading and checking the inputs")
    loaded = load_site(
        site.sources(**(others or {})),
        settings_file=site.settings_file,
        overrides=site.overrides,
        problems=problems,
    )
    if needs_compiling():
        output.progress("Compiling for this machine; later runs do without (about half a minute)")
    return loaded
