"""Settings of a run from a TOML file, with the command line on top."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, get_args

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.io.columns import nearest_hint
from geoirrig.io.file_formats import require_readable_file
from geoirrig.physics.flow_direction import FlowDirectionMethod
from geoirrig.physics.soil_properties import COMPACTION_FACTOR
from geoirrig.physics.terrain_slope import SlopeMethod
from geoirrig.records import AnalysisSettings, RunoffModel


@dataclass(frozen=True, slots=True, kw_only=True)
class _Range:
    """Numbers that a setting may take."""

    low: float
    high: float
    is_above_low: bool = False  # whether the low end itself is excluded

    def fault(self, value: object) -> str | None:
        """What a value should have been; None where it is right."""
        wanted = (
            f"a number above {self.low:g} and at most {self.high:g}"
            if self.is_above_low
            else f"a number from {self.low:g} to {self.high:g}"
        )
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            return wanted
        is_high_enough = value > self.low if self.is_above_low else value >= self.low
        return None if math.isfinite(value) and is_high_enough and value <= self.high else wanted


RANGES: Mapping[str, _Range] = {
    "cell_size_m": _Range(low=0.01, high=100.0),
    "event_depth_mm": _Range(is_above_low=True, low=0.0, high=500.0),
    "initial_saturation_fraction": _Range(low=0.0, high=0.99),
    "flat_storage_mm": _Range(low=0.0, high=100.0),
    "intake_log_sd": _Range(low=0.0, high=3.0),
    "storage_cv": _Range(low=0.0, high=3.0),
    "dry_spot_ratio": _Range(is_above_low=True, low=0.0, high=1.0),
    "dry_spot_min_area_m2": _Range(low=0.0, high=1e4),
    "hotspot_min_area_m2": _Range(low=0.0, high=1e4),
    "matched_rate_tolerance_pct": _Range(low=0.0, high=1000.0),
    "supply_lpm": _Range(is_above_low=True, low=0.0, high=1e6),
    "pit_fill_depth_mm": _Range(low=0.0, high=1e4),
    "run_on_step_minutes": _Range(is_above_low=True, low=0.0, high=60.0),
}
CHOICES: Mapping[str, tuple[str, ...]] = {
    "runoff_model": get_args(RunoffModel),
    "slope_method": get_args(SlopeMethod),
    "flow_direction": get_args(FlowDirectionMethod),
}
SWITCHES = ("throw_follows_slope", "run_on")
_COMPACTION_RANGE = _Range(is_above_low=True, low=0.0, high=10.0)
_KEYS = tuple(field.name for field in fields(AnalysisSettings))


def read_settings(
    path: Path | None, overrides: Mapping[str, object], problems: ProblemList
) -> AnalysisSettings:
    """Settings of a run.

    Parameters
    ----------
    path : Path or None
        TOML file whose keys are the names of `AnalysisSettings`; None: defaults.
    overrides : mapping of str to object
        Settings from the command line, which prevail; a value of None is passed over.
    problems : ProblemList
        Takes unknown keys, and values of the wrong kind or out of range; a warning where the file
        asks for run-on and the command cannot do it.

    Returns
    -------
    AnalysisSettings
        With the defaults in place of what is at fault.
    """
    given: dict[str, object] = {}
    try:
        stated = {} if path is None else _toml(path)
    except GeoirrigError as error:
        problems.add(str(error))
        stated = {}
    where = "" if path is None else f"Settings file {path.name!r}: "
    for key, value in stated.items():
        _take(key, value, where, given, problems)
    if given.get("run_on") is True and overrides.get("run_on") is False:
        problems.warn(
            f"{where}run_on = true has no effect: this command does not follow excess water "
            "downhill. 'geoirrig analyze' does."
        )
    for key, value in overrides.items():
        if value is not None:
            _take(key, value, f"{_option(key)}: ", given, problems)
    return AnalysisSettings(**given)  # type: ignore[arg-type]  # each value was checked


def _option(key: str) -> str:
    """Command-line option that sets a key."""
    return "--cell" if key == "cell_size_m" else f"--{key.replace('_', '-')}"


def _toml(path: Path) -> dict[str, Any]:
    if path.is_file() and path.stat().st_size == 0:
        return {}  # no settings, no fault
    require_readable_file(path)
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise GeoirrigError(
            f"Settings file {path.name!r} is not valid TOML: {error}. Correct that line."
        ) from error


def _take(
    key: str, value: object, where: str, given: dict[str, object], problems: ProblemList
) -> None:
    """Put a checked setting among those given, or note what is wrong with it."""
    if key not in _KEYS:
        problems.add(f"{where}unknown setting {key!r}.{nearest_hint(key, _KEYS)}")
        return
    if key == "compaction_factor":
        value, wanted = _compaction_factors(value, where, problems)
    else:
        wanted = _fault(key, value)
    if wanted is not None:
        hint = nearest_hint(str(value), CHOICES.get(key, ()))
        problems.add(f"{where}{key} must be {wanted}; got {value!r}.{hint}")
        return
    given[key] = value


def _fault(key: str, value: object) -> str | None:
    """What a setting should have been; None where it is right."""
    if key in CHOICES:
        if value in CHOICES[key]:
            return None
        return f"one of {', '.join(CHOICES[key])}"
    if key in SWITCHES:
        return None if isinstance(value, bool) else "true or false"
    return RANGES[key].fault(value)


def _compaction_factors(
    value: object, where: str, problems: ProblemList
) -> tuple[object, str | None]:
    """Factors with the defaults for the words that are not stated."""
    if not isinstance(value, Mapping):
        return value, f"a table with the keys {', '.join(COMPACTION_FACTOR)}"
    factors = dict(COMPACTION_FACTOR)
    for word, factor in value.items():
        if word not in COMPACTION_FACTOR:
            problems.add(
                f"{where}compaction_factor has the unknown key {word!r}."
                f"{nearest_hint(str(word), COMPACTION_FACTOR)}"
            )
        elif (wanted := _COMPACTION_RANGE.fault(factor)) is not None:
            problems.add(f"{where}compaction_factor.{word} must be {wanted}; got {factor!r}.")
        else:
            factors[word] = float(factor)
    return factors, None
