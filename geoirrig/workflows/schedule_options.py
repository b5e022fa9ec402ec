"""Choices of a schedule, and how each is named in the results."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from geoirrig.physics.effective_rain import DEFAULT_RAIN_SHARE, EFFECTIVE_RAIN_METHODS
from geoirrig.physics.plant_water_use import DEFAULT_ALLOWABLE_DEPLETION
from geoirrig.records import MeanYear

if TYPE_CHECKING:  # its libraries take long to load
    from geoirrig.climate.reference_evapotranspiration import EvapotranspirationMethod

RunTimeMethod = Literal["low_half", "low_quarter"]

RUN_TIME_METHODS: Mapping[str, str] = {
    "low_half": "low half: gross = net / DUlh of the zone as computed (von Bernuth and Mecham)",
    "low_quarter": "low quarter: gross = net / DUlq of the zone as computed (agricultural "
    "practice; asks for more water than landscapes need)",
}
# Overhead irrigation from 8 pm to 10 am: California Code of Regulations, title 23, section 492.10.
WATERING_WINDOW_MINUTES = 840.0

_EVAPOTRANSPIRATION_NAMES = {
    "as_given": "as the climate file states it",
    "fao56_penman_monteith": "FAO-56 Penman-Monteith",
    "hargreaves_samani_1985": "Hargreaves and Samani 1985",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleOptions:
    """Choices of a schedule.

    Attributes
    ----------
    effective_rain_method : str
        A key of `geoirrig.physics.effective_rain.EFFECTIVE_RAIN_METHODS`.
    effective_rain_share : float
        For ``fixed_share``, from 0 to 1. [1]
    run_time_method : {"low_half", "low_quarter"}
        What makes the gross from the net depth; see `RUN_TIME_METHODS`.
    allowable_depletion : float
        Share of the available water that may be used up before an irrigation, in (0, 1]. [1]
    watering_window_minutes : float
        Minutes of a night in which water may be applied. [min]
    evapotranspiration_method : str, optional
        The better of those for which the weather suffices where None. Evapotranspiration that the
        climate file states is taken as it is, whatever the method.
    allowance : str, optional
        A key of `geoirrig.physics.water_allowance.ADJUSTMENT_FACTORS`; None: no report on the
        annual allowance.
    """

    effective_rain_method: str = "usda_scs"
    effective_rain_share: float = DEFAULT_RAIN_SHARE
    run_time_method: RunTimeMethod = "low_half"
    allowable_depletion: float = DEFAULT_ALLOWABLE_DEPLETION
    watering_window_minutes: float = WATERING_WINDOW_MINUTES
    evapotranspiration_method: EvapotranspirationMethod | None = None
    allowance: str | None = None


def methods_in_words(options: ScheduleOptions, year: MeanYear, *, soil: str) -> dict[str, str]:
    """What was done, for the reader of the results: topic and sentence."""
    rain = f"{options.effective_rain_method}: "
    rain += EFFECTIVE_RAIN_METHODS[options.effective_rain_method].source
    if options.effective_rain_method == "fixed_share":
        rain += f"; share {options.effective_rain_share:g}"
    method = year.evapotranspiration_method
    return {
        "reference_evapotranspiration": _EVAPOTRANSPIRATION_NAMES.get(method, method),
        "effective_rain": rain,
        "depletion": f"{options.allowable_depletion:g} of the available water",
        "run_time": RUN_TIME_METHODS[options.run_time_method],
        "cycles_and_soaks": "all but the most sensitive 5 % of the turf keeps the water of its own "
        f"zone; {soil}",
        "years": f"mean of {int(year.years.min())} to {int(year.years.max())} years"
        if year.years.min() != year.years.max()
        else f"mean of {int(year.years[0])} years"
        if year.years[0] > 1
        else "one year",
    }
