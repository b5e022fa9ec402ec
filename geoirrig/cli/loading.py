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
    from geoirrig.workflows.load_site import load_site

    announce(output)
    return load_site(
        site.sources(**(others or {})),
        settings_file=site.settings_file,
        overrides=site.overrides,
        problems=problems,
    )


def announce(output: OutputChoice) -> None:
    """Check the output folder before anything is read, and say that reading begins.

    From then on a compilation is told of when it comes.
    """
    from geoirrig.compilation import tell_when_compiling
    from geoirrig.io.output_folder import check_output_folder

    check_output_folder(output.out, overwrite=output.overwrite)
    tell_when_compiling(
        lambda: output.progress(
            "Compiling for this machine; later runs do without (about half a minute)"
        )
    )
    output.progress("Reading and checking the inputs")
