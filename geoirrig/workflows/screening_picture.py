"""The picture of a screening, as a worker draws it that loads nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from geoirrig.city_records import PackedBytes
from geoirrig.units import UnitSystem
from geoirrig.workflows.cycle_collection import without_cycle_collection


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningSheet:
    """What it is drawn from."""

    folder: Path
    outlines: PackedBytes
    columns: Mapping[str, NDArray[Any]]
    words: Mapping[str, Any]  # of a `ScreeningText`
    units: UnitSystem


@without_cycle_collection()
def draw_sheet(sheet: ScreeningSheet) -> None:
    """Draw ``screening.png``."""
    # what draws is loaded only where it is needed
    from geoirrig.maps.screening_sheet import ScreeningText, draw_screening_sheet

    draw_screening_sheet(
        sheet.folder,
        sheet.outlines,
        sheet.columns,
        ScreeningText(**sheet.words),
        units=sheet.units,
    )
