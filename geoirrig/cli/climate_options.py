"""Options that say where the climate is and how a schedule is made of it."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from geoirrig.cli.option_groups import OptionGroup, check_range, stated

if TYPE_CHECKING:
    from geoirrig.errors import ProblemList
    from geoirrig.records import ClimateRecord
    from geoirrig.workflows.schedule_options import ScheduleOptions


class EvapotranspirationOption(StrEnum):
    """How reference evapotranspiration follows from weather."""

    fao56_penman_monteith = "fao56_penman_monteith"
    hargreaves_samani_1985 = "hargreaves_samani_1985"


class EffectiveRainOption(StrEnum):
    """How much of the rain the plants can use."""

    usda_scs = "usda_scs"
    fixed_share = "fixed_share"
    fao_dependable = "fao_dependable"
    fao_1986 = "fao_1986"
    nrcs_tr21 = "nrcs_tr21"
    texas_daily = "texas_daily"


class RunTimeOption(StrEnum):
    """What makes the gross from the net depth."""

    low_half = "low_half"
    low_quarter = "low_quarter"


class AllowanceOption(StrEnum):
    """Which annual allowance of California's ordinance is reported."""

    residential = "residential"
    non_residential = "non_residential"
    rule_of_2009 = "rule_of_2009"
    existing_over_one_acre = "existing_over_one_acre"


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class ClimateChoice:
    """A climate file, its station, and the choices of the schedule; fields are the options."""

    climate: Path | None
    latitude: float | None
    altitude_m: float | None
    wind_height_m: float | None
    evapotranspiration: EvapotranspirationOption | None
    effective_rain: EffectiveRainOption | None
    rain_share: float | None
    run_time_method: RunTimeOption | None
    depletion: float | None
    watering_minutes: float | None
    allowance: AllowanceOption | None = None

    @property
    def files(self) -> dict[str, tuple[Path, ...]]:
        """Files that are read beside the site."""
        return {} if self.climate is None else {"climate": (self.climate,)}

    def read(self, problems: ProblemList, *, alone: Sequence[str] = ()) -> ClimateRecord | None:
        """The climate; what is wrong with it or with the options goes to the problems.

        ``alone`` are fields that the command uses without a climate too.
        """
        from geoirrig.io.read_climate import read_climate

        check_range(problems, "--rain-share", self.rain_share, 0.0, 1.0)
        check_range(problems, "--depletion", self.depletion, 0.01, 1.0)
        check_range(problems, "--watering-minutes", self.watering_minutes, 1.0, 1440.0)
        if self.climate is None:
            self._refuse_without_climate(problems, alone)
            return None
        station = {} if self.wind_height_m is None else {"wind_height_m": self.wind_height_m}
        record = read_climate(
            self.climate,
            problems,
            latitude_deg=self.latitude,
            altitude_m=self.altitude_m,
            **station,
        )
        if record is not None:
            self._check_methods(record, problems)
        return record

    def _refuse_without_climate(self, problems: ProblemList, alone: Sequence[str]) -> None:
        given = [
            "--run-time" if name == "run_time_method" else f"--{name.replace('_', '-')}"
            for name, value in dataclasses.asdict(self).items()
            if value is not None and name not in alone
        ]
        if given:
            were = "was" if len(given) == 1 else "were"
            problems.add(f"{' and '.join(given)} {were} given without --climate FILE.")

    def _check_methods(self, record: ClimateRecord, problems: ProblemList) -> None:
        """Note methods that the record does not suffice for, and options without effect."""
        from geoirrig.climate.mean_year import mean_year
        from geoirrig.errors import GeoirrigError

        options = self.schedule_options()
        try:
            mean_year(
                record,
                evapotranspiration_method=options.evapotranspiration_method,
                effective_rain_method=options.effective_rain_method,
            )
        except GeoirrigError as error:
            problems.add(str(error))
        if self.evapotranspiration is not None and record.eto_mm is not None:
            problems.warn("--evapotranspiration has no effect: the climate file states its ETo.")
        if self.rain_share is not None and options.effective_rain_method != "fixed_share":
            problems.warn("--rain-share has no effect without --effective-rain fixed_share.")

    def stated(self) -> dict[str, Any]:
        """File and station as given, for the record of the run; the choices state themselves."""
        station = ("climate", "latitude", "altitude_m", "wind_height_m")
        return stated({name: getattr(self, name) for name in station})

    def schedule_options(self) -> ScheduleOptions:
        """The choices, with the defaults for what was not given."""
        from geoirrig.workflows.schedule_options import ScheduleOptions

        given = {
            "evapotranspiration_method": self.evapotranspiration,
            "effective_rain_method": self.effective_rain,
            "effective_rain_share": self.rain_share,
            "run_time_method": self.run_time_method,
            "allowable_depletion": self.depletion,
            "watering_window_minutes": self.watering_minutes,
            "allowance": self.allowance,
        }
        plain: dict[str, Any] = {
            name: value.value if isinstance(value, StrEnum) else value
            for name, value in given.items()
            if value is not None
        }
        return ScheduleOptions(**plain)


def _option(kind: Any, *names: str, metavar: str | None = None, help: str) -> tuple[Any, Any]:
    return Annotated[kind, typer.Option(*names, metavar=metavar, help=help)], None


CLIMATE = OptionGroup(
    options={
        "climate": _option(
            Path,
            metavar="FILE.csv",
            help="Daily or monthly climate: date, eto_mm or weather, rain_mm.",
        ),
        "latitude": _option(
            float | None, metavar="DEG", help="Of the station, to compute ETo; north is positive."
        ),
        "altitude_m": _option(float | None, metavar="M", help="Of the station (0)."),
        "wind_height_m": _option(float | None, metavar="M", help="Of the anemometer (2)."),
        "evapotranspiration": _option(
            EvapotranspirationOption | None,
            help="Reference method (Penman-Monteith if the weather suffices).",
        ),
        "effective_rain": _option(
            EffectiveRainOption | None, help="Rain that the plants can use (usda_scs)."
        ),
        "rain_share": _option(float | None, metavar="SHARE", help="For fixed_share, 0 to 1 (0.5)."),
        "run_time_method": _option(
            RunTimeOption | None,
            "--run-time",
            help="Gross over net depth: 1/DU of the low half or of the low quarter (low_half).",
        ),
        "depletion": _option(
            float | None,
            metavar="SHARE",
            help="Of the available water, used before the next event (0.5).",
        ),
        "watering_minutes": _option(
            float | None, metavar="MIN", help="Length of the nightly watering window (840)."
        ),
        "allowance": _option(
            AllowanceOption | None,
            help="Report the annual allowance of California's ordinance for this kind of site.",
        ),
    },
    gather=ClimateChoice,
)
