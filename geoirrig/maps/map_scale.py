"""Scales that a map sheet may have, and the pages that it is printed on."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

from geoirrig.maps.page import PIXELS_PER_INCH
from geoirrig.units import METRES_PER_FOOT, MM_PER_INCH, MM_PER_M, UnitSystem

METRES_PER_INCH = MM_PER_INCH / MM_PER_M
INCHES_PER_FOOT = METRES_PER_FOOT / METRES_PER_INCH
# Width and height of the page lying, in inches: A4 (ISO 216) and Letter (ANSI/ASME Y14.1).
PAGE_INCHES: dict[UnitSystem, tuple[float, float]] = {
    "si": (297.0 / MM_PER_INCH, 210.0 / MM_PER_INCH),
    "us": (11.0, 8.5),
}
PAGE_NAMES: dict[UnitSystem, str] = {"si": "A4", "us": "Letter"}
# Steps of a decade. 1, 2 and 5 as ISO 5455 recommends (from memory), 2.5 as site plans have it; the
# feet to an inch are those of the engineer's rule: both common practice, no source.
_METRIC_STEPS = (1.0, 2.0, 2.5, 5.0)
_FEET_TO_AN_INCH = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
_LARGEST_SCALE = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MapScale:
    """Scale of a sheet: ground over paper, and how it is stated."""

    denominator: float
    label: str

    @property
    def metres_per_pixel(self) -> float:
        """Ground length of one unit of the page."""
        return self.denominator * METRES_PER_INCH / PIXELS_PER_INCH


def standard_scales(units: UnitSystem) -> Iterator[MapScale]:
    """Scales of the series, the largest first, without end.

    Examples
    --------
    >>> [scale.label for scale in itertools.islice(standard_scales("si"), 6)]
    ['1:50', '1:100', '1:200', '1:250', '1:500', '1:1,000']
    >>> next(standard_scales("us")).label  # 10 ft are 120 in
    '1 in = 10 ft (1:120)'
    """
    steps = _FEET_TO_AN_INCH if units == "us" else _METRIC_STEPS
    for power in itertools.count(1):
        for step in steps:
            value = step * 10.0**power
            if units == "us":
                denominator = value * INCHES_PER_FOOT
                label = f"1 in = {value:,.0f} ft (1:{denominator:,.0f})"
                yield MapScale(denominator=denominator, label=label)
            elif value >= _LARGEST_SCALE:
                yield MapScale(denominator=value, label=f"1:{value:,.0f}")


def fitting_scale(
    width_m: float, height_m: float, *, frame_px: tuple[float, float], units: UnitSystem
) -> MapScale:
    """The largest standard scale at which the ground fits a frame.

    Parameters
    ----------
    width_m, height_m : float
        What has to fit. [m]
    frame_px : tuple of float
        Width and height of the space for it. [px]
    units : {"si", "us"}
        Which series.
    """
    return next(
        scale
        for scale in standard_scales(units)
        if width_m <= frame_px[0] * scale.metres_per_pixel
        and height_m <= frame_px[1] * scale.metres_per_pixel
    )
