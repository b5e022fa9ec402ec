"""What every set of results says about the run that made it."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol

from geoirrig import __version__
from geoirrig.records import InputFile

if TYPE_CHECKING:  # a city is told of without all that reads a site
    from geoirrig.workflows.load_site import LoadedSite

Progress = Callable[[str], None]  # told the name of each step of a long run as it begins


class SharedProgress(Protocol):
    """A `Progress` that is also told the share of the work done, where it is known."""

    def __call__(self, step: str, share: float | None = None, /) -> None:
        """Name a step as it begins, with the share done, 0 to 1."""


CAUTIONS = (
    "Computed from bench figures and a plan, in still air: check on the ground before acting.",
    "Water that runs off or lands on walks and roads can pond, freeze and make people fall; on "
    "steep or filled slopes it can start erosion or a slide. Ask a geotechnical engineer before "
    "watering a slope whose stability is in doubt.",
    "Minutes to runoff rest on tabled soils; real lawns of one texture differ several-fold.",
    "Work on pressurised pipes, backflow protection and wiring belongs to licensed practice.",
    "Local codes and the water supplier's rules decide, not this analysis.",
)


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """Version, inputs, options and what the reader ought to know."""

    files: tuple[InputFile, ...]
    options: Mapping[str, Any]
    crs_name: str
    cell_size_m: float
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]

    def summary_head(self) -> dict[str, Any]:
        """The keys with which every summary begins."""
        return {
            "version": __version__,
            "inputs": [dataclasses.asdict(file) for file in self.files],
            "options": dict(self.options),
            "crs": self.crs_name,
            "cell_size_m": self.cell_size_m,
        }

    def summary_tail(self) -> dict[str, Any]:
        """The keys with which every summary ends."""
        return {"warnings": list(self.warnings), "cautions": list(self.cautions)}

    def run_info(self) -> dict[str, str]:
        """The same for the ``run_info`` table."""
        info = {
            "version": __version__,
            "crs": self.crs_name,
            "cell_size_m": f"{self.cell_size_m:g}",
            "options": json.dumps(dict(self.options), default=str),
        }
        for file in self.files:
            info[f"input {file.role}"] = f"{file.name} sha256 {file.sha256}"
        for number, warning in enumerate(self.warnings, start=1):
            info[f"warning {number}"] = warning
        for number, caution in enumerate(self.cautions, start=1):
            info[f"caution {number}"] = caution
        return info


def run_record(
    site: LoadedSite,
    *,
    options: Mapping[str, Any],
    units: str,
    warnings: Sequence[str],
    cautions: Sequence[str] = CAUTIONS,
    files: Sequence[InputFile] = (),
) -> RunRecord:
    """The record of a run on one site.

    Parameters
    ----------
    site : LoadedSite
        Its files and settings.
    options : mapping
        Options of the command line.
    units : str
        Unit system of the results.
    warnings, cautions : sequence of str
        What the reader ought to know.
    files : sequence of InputFile
        Files that were read beside those of the site.
    """
    return RunRecord(
        files=(*site.inputs.files, *files),
        options={**options, **dataclasses.asdict(site.settings), "units": units},
        crs_name=site.inputs.plane.crs_name,
        cell_size_m=site.grid.cell_size_m,
        warnings=tuple(warnings),
        cautions=tuple(cautions),
    )
