"""Directives that write the reference from the program itself, so that it cannot differ from it.

``.. command-reference::`` lists the commands and options of the command line;
``.. room-reference:: PACKAGE`` shows the docstrings of a package's public modules, or of a module.
"""

from __future__ import annotations

import re
from importlib import import_module
from pkgutil import iter_modules
from typing import Any

import typer
from docutils import nodes
from sphinx.application import Sphinx
from sphinx.util.docutils import SphinxDirective

from geoirrig.cli import app as command_line

# Compiled inner loops: each is called by the module of the same name, which is the one to read.
INTERNAL_SUFFIX = "_kernels"

# Files beside the documentation that the site shows as pages of its own.
PAGE_OF_FILE = {"sample_gis/README.md": "/sample_sites.md", "DEVELOPERS.md": "/developers.md"}


class CommandReference(SphinxDirective):
    """A section for each command: what it does, how it is called, its options."""

    def run(self) -> list[nodes.Node]:
        """Sections of the commands, in the order of the help page."""
        group = typer.main.get_command(command_line)
        return [_command_section(name, command) for name, command in group.commands.items()]


def _command_section(name: str, command: Any) -> nodes.section:
    context = command.context_class(command, info_name=f"geoirrig {name}")
    usage = " ".join([context.info_name, *command.collect_usage_pieces(context)])
    section = nodes.section("", nodes.title("", "", nodes.literal("", name)), ids=[name])
    section += [nodes.paragraph("", text) for text in command.help.split("\n\n")]
    section += nodes.literal_block(usage, usage, language="text")
    section += _option_list(command.get_params(context), context)
    return section


def _option_list(parameters: list[Any], context: Any) -> nodes.definition_list:
    arguments_first = sorted(parameters, key=lambda each: each.param_type_name != "argument")
    records = [record for each in arguments_first if (record := each.get_help_record(context))]
    options = nodes.definition_list(classes=["command-options"])
    for call, meaning in records:
        term = nodes.term("", "", nodes.literal("", call))
        options += nodes.definition_list_item(
            "", term, nodes.definition("", nodes.paragraph("", " ".join(meaning.split())))
        )
    return options


class RoomReference(SphinxDirective):
    """A section for each public module of a package."""

    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        """Sections of the modules, in alphabetical order."""
        text = "\n\n".join(map(_module_text, _public_modules(self.arguments[0])))
        return self.parse_text_to_nodes(text, allow_section_headings=True)


def _public_modules(name: str) -> list[str]:
    package = import_module(name)
    if not hasattr(package, "__path__"):
        return [name]
    return [
        public
        for module in iter_modules(package.__path__)
        if not module.name.startswith("_") and not module.name.endswith(INTERNAL_SUFFIX)
        for public in _public_modules(f"{name}.{module.name}")
    ]


def _module_text(name: str) -> str:
    heading = name.rpartition(".")[2].replace("_", " ").capitalize()
    return (
        f"{heading}\n{'-' * len(heading)}\n\n``{name}``\n\n.. automodule:: {name}\n   :members:\n"
    )


def lead_to_site_pages(_app: Sphinx, _page: str, source: list[str]) -> None:
    """Let links that leave the documentation, as on a forge, lead to the page of the site."""
    for file, page in PAGE_OF_FILE.items():
        source[0] = re.sub(rf"\]\((\.\./)+{re.escape(file)}", f"]({page}", source[0])


def plain_docstring(*event: Any) -> None:
    """Let a docstring be read as its author meant it, where the markup would read it otherwise.

    Sources are counted from one in each docstring, where footnotes count through a whole page; a
    bar is that of |x|, and an exponent may follow a name in backticks.
    """
    lines: list[str] = event[-1]
    for number, line in enumerate(lines):
        line = re.sub(r"^\.\. \[(\d+)\]", r"\1.", line)
        line = re.sub(r"\[(\d+)\]_", r"[\1]", line)
        if not line.startswith(">>>"):
            line = re.sub(r"(`+)[^`]+\1(?P<joined>(?=\w))?|\|", _as_meant, line)
        lines[number] = line


def short_signature(*event: Any) -> tuple[str | None, str | None]:
    """Name an alias of a type by its name alone."""
    signature, returned = (
        text and re.sub(r"TypeAliasForwardRef\('(\w+)'\)", r"\1", text) for text in event[-2:]
    )
    return signature, returned


def _as_meant(met: re.Match[str]) -> str:
    if met[0] == "|":
        return r"\|"
    return met[0] if met["joined"] is None else met[0] + "\\ "


def setup(app: Sphinx) -> dict[str, bool]:
    """Register the directives."""
    app.add_directive("command-reference", CommandReference)
    app.add_directive("room-reference", RoomReference)
    app.connect("autodoc-process-docstring", plain_docstring)
    app.connect("autodoc-process-signature", short_signature)
    app.connect("source-read", lead_to_site_pages)
    return {"parallel_read_safe": True, "parallel_write_safe": True}
