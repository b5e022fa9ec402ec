"""Class limits, colours and labels shared by the styles of the files and by the map pictures.

Water is drawn in one hue family, from pale to dark as there is more of it; where there is far too
little, the hue leaves the family. Limits are fixed, so that the maps of two sites compare. SI and
US limits are each round numbers in their own unit, not conversions of one another.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geoirrig.units import UNITS, US_SUFFIX_OF_SI, Unit, UnitSystem, unit_of_column

# The palettes are our own: straight lines between anchors in the OKLab colour space (Ottosson,
# 2020), chosen so that lightness alone orders each family and no two classes of a scale come close
# for a reader without red or green cones (tests/test_symbology.py).
DRY, SCARCE, LITTLE = "#9c5223", "#cf8f4b", "#ebcc99"
WATER_4 = ("#b6e1e1", "#419fc0", "#255d96", "#222151")
WATER_5 = ("#d2efec", "#79c3cf", "#398db5", "#2b538c", "#201f4e")
WATER_7 = ("#d2efec", "#9dd8db", "#66b9cb", "#3291b9", "#27699f", "#27427b", "#201f4e")
RUNOFF_6 = ("#f0e8ef", "#dfb9d7", "#c37eaf", "#994a85", "#66285e", "#321434")
RUNOFF_7 = ("#321434", "#5c2657", "#8a3d7a", "#b665a0", "#cf95c0", "#e1c0da", "#f0e8ef")
GROUND_5 = ("#ece8d9", "#c2b397", "#997e5f", "#6e4d37", "#41261c")
EVENNESS_6 = ("#9c5223", "#d99d5b", "#f0dcb1", "#a5d5d5", "#3291b9", "#273871")

HARDSCAPE_COLOUR = "#c8c7c3"
TURF_COLOUR = "#d3dfc6"  # where nothing is told of it
TURF_LINE_COLOUR = "#3d4a45"
NO_VALUE_COLOUR = "#e4e3df"
HEAD_COLOUR = "#22262b"
# Parcels of a screening by `status_code`: could not be worked, not eligible, eligible, funded.
STATUS_COLOURS = ("#b9573a", "#e4e3df", "#9cc3d5", "#1f5f86")
STATUS_LABELS = ("could not be worked", "not eligible", "eligible, beyond the budget", "funded")
HEAD_FINDING_COLOUR = "#b3471b"
HEAD_ADDED_COLOUR = "#8a2a76"
# Findings about a layout: word, colour and size, so that size alone tells them apart. [mm]
SEVERITY_MARKS = (("high", "#9c2f10", 3.4), ("medium", "#d0763a", 2.6), ("low", "#e8b77f", 2.0))
DRY_SPOT_COLOUR = "#6b2d06"
OVERSPRAY_COLOUR = "#8a2a76"
HOTSPOT_COLOUR = "#f2b84b"  # stands out from the darkest class, where most hotspots lie
ZONE_LINE_COLOUR = "#27427b"

DEVICE_LABELS = {
    "fixed_spray": "fixed spray",
    "rotary_nozzle": "rotary nozzle",
    "rotor": "rotor",
    "": "head of unknown kind",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourClass:
    """One step of a legend: the values above ``lower`` and up to ``upper``."""

    lower: float  # -inf in the first class
    upper: float  # inf in the last class
    colour: str  # "#rrggbb"
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassScale:
    """How one quantity is put into classes.

    Attributes
    ----------
    column : str
        SI name of the quantity, with its unit suffix.
    title : str
        Heading of the legend, without the unit.
    unit : str
        Printed unit of a quantity whose name states none: "min", "%", "" …
    limits_si, limits_us : tuple of float
        Upper ends of all classes but the last, rising; ``limits_us`` is empty where the quantity
        has the same unit in both systems. A value on a limit belongs to the lower class.
    colours : tuple of str
        One more than there are limits.
    first_label, last_label : str
        Labels of the end classes where the limits alone do not say enough.
    labels : tuple of str
        All labels, where they are words or the printed numbers differ from the limits.
    """

    column: str
    title: str
    unit: str = ""
    limits_si: tuple[float, ...]
    limits_us: tuple[float, ...] = ()
    colours: tuple[str, ...]
    first_label: str = ""
    last_label: str = ""
    labels: tuple[str, ...] = ()

    def limits(self, units: UnitSystem) -> tuple[float, ...]:
        """Class limits in the chosen unit system."""
        return self.limits_us if units == "us" and self.limits_us else self.limits_si

    def limits_as_si(self, units: UnitSystem) -> NDArray[np.float64]:
        """The limits of the chosen legend, in SI, for values that are in SI."""
        unit = self._shown_unit(units)
        return np.asarray(self.limits(units), dtype=np.float64) * (unit.to_si if unit else 1.0)

    def printed_unit(self, units: UnitSystem) -> str:
        """Unit as it stands in a legend heading; empty for a pure number."""
        unit = self._shown_unit(units)
        return unit.printed if unit else self.unit

    def heading(self, units: UnitSystem) -> str:
        """Legend heading with its unit: ``Precipitation rate [mm/h]``."""
        unit = self.printed_unit(units)
        return f"{self.title} [{unit}]" if unit else self.title

    def classes(self, units: UnitSystem) -> tuple[ColourClass, ...]:
        """All classes, lowest first, with limits and labels in the chosen unit system."""
        limits = self.limits(units)
        edges = (-np.inf, *limits, np.inf)
        labels = self.labels or self._number_labels(limits)
        return tuple(
            ColourClass(lower=float(lower), upper=float(upper), colour=colour, label=label)
            for lower, upper, colour, label in zip(
                edges[:-1], edges[1:], self.colours, labels, strict=True
            )
        )

    def class_index(self, values_si: NDArray[np.floating], units: UnitSystem) -> NDArray[np.uint8]:
        """Class of every value, which is in SI; NaN gets the number of classes, one too high."""
        # Values may be float32: limits of that type, else 2.5 mm/h stored as float32 could land
        # on the other side of its own limit.
        limits = self.limits_as_si(units).astype(np.asarray(values_si).dtype)
        index = np.searchsorted(limits, values_si, side="left").astype(np.uint8)
        index[np.isnan(values_si)] = len(self.colours)
        return index

    def _number_labels(self, limits: tuple[float, ...]) -> tuple[str, ...]:
        first = self.first_label or f"up to {limits[0]:g}"
        last = self.last_label or f"over {limits[-1]:g}"
        steps = [f"{lower:g} – {upper:g}" for lower, upper in pairwise(limits)]
        return (first, *steps, last)

    def _shown_unit(self, units: UnitSystem) -> Unit | None:
        _, unit = unit_of_column(self.column)
        return unit if unit is None or units == "si" else UNITS[US_SUFFIX_OF_SI[unit.suffix]]


# A run is followed for a day at most; a value at that cap means that nothing ran off.
_CAP_LIMIT_MINUTES = 1439.5
_RATE = ClassScale(
    column="precipitation_rate_mm_h",
    title="Precipitation rate",
    limits_si=(0.0, 2.5, 5.0, 10.0, 15.0, 25.0, 40.0, 60.0),
    limits_us=(0.0, 0.1, 0.2, 0.4, 0.6, 1.0, 1.6, 2.4),
    colours=(DRY, SCARCE, *WATER_7),
    first_label="no water",
)
_DEPTH = ClassScale(
    column="applied_depth_mm",
    title="Depth of one event",
    limits_si=(0.0, 2.5, 5.0, 10.0, 15.0, 20.0, 30.0),
    limits_us=(0.0, 0.1, 0.2, 0.4, 0.6, 0.8, 1.2),
    colours=(DRY, SCARCE, LITTLE, *WATER_5),
    first_label="no water",
)
_RUNOFF_DEPTH = ClassScale(
    column="runoff_depth_mm",
    title="Runoff depth of one event",
    limits_si=(0.0, 0.5, 1.0, 2.0, 4.0),
    limits_us=(0.0, 0.02, 0.04, 0.08, 0.16),
    colours=RUNOFF_6,
    first_label="none",
)
_RUNOFF_VOLUME = ClassScale(
    column="runoff_l",
    title="Runoff of one event",
    limits_si=(0.0, 20.0, 100.0, 500.0, 2000.0),
    limits_us=(0.0, 5.0, 25.0, 125.0, 500.0),
    colours=RUNOFF_6,
    first_label="none",
)
_HOTSPOT_DEPTH = ClassScale(
    column="mean_runoff_depth_mm",
    title="Mean runoff of one event",
    limits_si=_RUNOFF_DEPTH.limits_si[1:],
    limits_us=_RUNOFF_DEPTH.limits_us[1:],
    colours=RUNOFF_6[1:],
)
_RUN_ON_DEPTH = ClassScale(
    column="run_on_depth_mm",
    title="Run-on of one event",
    limits_si=(0.0, 10.0, 30.0, 100.0, 300.0),
    limits_us=(0.0, 0.4, 1.0, 4.0, 12.0),
    colours=RUNOFF_6,
    first_label="none",
)
# On about a metre of edge.
_EDGE_VOLUME = ClassScale(
    column="leaving_l",
    title="Water over the edge in one event",
    limits_si=(1.0, 5.0, 20.0, 50.0),
    limits_us=(0.25, 1.0, 5.0, 15.0),
    colours=RUNOFF_6[1:],
)
# On paved ground less water is better: not the colours of water on turf.
_OVERSPRAY_DEPTH = ClassScale(
    column="overspray_depth_mm",
    title="Mean overspray depth of one event",
    limits_si=(1.0, 2.5, 5.0, 10.0),
    limits_us=(0.04, 0.1, 0.2, 0.4),
    colours=RUNOFF_6[1:],
)
# The first three limits are those of the slope classes of allowable surface accumulation.
_SLOPE = ClassScale(
    column="slope_pct",
    title="Slope",
    unit="%",
    limits_si=(3.5, 6.5, 12.5, 25.0),
    colours=GROUND_5,
)
_HEADS_REACHING = ClassScale(
    column="heads_reaching",
    title="Heads of one zone that reach the spot",
    limits_si=(0.0, 1.0, 2.0, 3.0, 4.0),
    colours=(DRY, SCARCE, *WATER_4),
    labels=("none", "1 head", "2 heads", "3 heads", "4 heads", "5 or more"),
)
_MINUTES_TO_RUNOFF = ClassScale(
    column="minutes_to_runoff",
    title="Unbroken running time until runoff",
    unit="min",
    limits_si=(5.0, 10.0, 15.0, 30.0, 60.0, _CAP_LIMIT_MINUTES),
    colours=RUNOFF_7,
    labels=(
        "up to 5",
        "5 – 10",
        "10 – 15",
        "15 – 30",
        "30 – 60",
        "over 60",
        "no runoff within a day",
    ),
)
_RUNOFF_PROBABILITY = ClassScale(
    column="runoff_probability",
    title="Probability of runoff in one event",
    unit="%",
    limits_si=(0.05, 0.25, 0.5, 0.75, 0.95),
    colours=RUNOFF_6,
    labels=("up to 5", "5 – 25", "25 – 50", "50 – 75", "75 – 95", "over 95"),
)
# Steps of a legend, not grades: no quality is claimed for a class.
_DU_LQ = ClassScale(
    column="du_lq",
    title="Distribution uniformity, low quarter",
    limits_si=(0.4, 0.5, 0.6, 0.7, 0.8),
    colours=EVENNESS_6,
)
_SHARE_OF_ZONE_MEAN = ClassScale(
    column="share_of_zone_mean",
    title="Mean depth as a share of the zone's mean",
    unit="%",
    limits_si=(0.1, 0.25),
    colours=(DRY, SCARCE, LITTLE),
    labels=("up to 10", "10 – 25", "over 25"),
)
_WEEKLY_MINUTES = ClassScale(
    column="weekly_minutes",
    title="Minutes a week",
    unit="min",
    limits_si=(0.0, 30.0, 60.0, 120.0, 240.0, 480.0),
    colours=(GROUND_5[0], *WATER_7[1:]),
    first_label="no water needed",
)

_PARCEL_STATUS = ClassScale(
    column="status_code",
    title="Parcel status",
    limits_si=(0.5, 1.5, 2.5),
    colours=STATUS_COLOURS,
    labels=STATUS_LABELS,
)

SCALES: dict[str, ClassScale] = {
    scale.column: scale
    for scale in (
        _RATE,
        replace(_RATE, column="mean_rate_mm_h", title="Mean precipitation rate"),
        _DEPTH,
        replace(_DEPTH, column="mean_depth_mm", title="Mean depth of one event"),
        _HEADS_REACHING,
        _SLOPE,
        replace(_SLOPE, column="mean_slope_pct", title="Mean slope"),
        _MINUTES_TO_RUNOFF,
        _RUNOFF_DEPTH,
        _RUNOFF_VOLUME,
        _HOTSPOT_DEPTH,
        _OVERSPRAY_DEPTH,
        _RUN_ON_DEPTH,
        _EDGE_VOLUME,
        _RUNOFF_PROBABILITY,
        _DU_LQ,
        _SHARE_OF_ZONE_MEAN,
        _WEEKLY_MINUTES,
        _PARCEL_STATUS,
    )
}
