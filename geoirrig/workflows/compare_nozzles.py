"""What other nozzles would do: one layout under several nozzle sets, side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.io.columns import listed_as
from geoirrig.io.read_nozzle_set import EXISTING
from geoirrig.physics.retrofit_saving import (
    SavingByCause,
    annual_water_l,
    clock_unchanged_saving_l,
    need_met_by_unchanged_clock,
    saving_by_cause,
)
from geoirrig.records import ClimateRecord, IntArray, SprinklerLayout
from geoirrig.surfaces.finding_areas import depth_text
from geoirrig.units import LITRES_PER_M3, LITRES_PER_US_GALLON, FloatArray
from geoirrig.workflows.load_site import LoadedSite, SiteAlternative
from geoirrig.workflows.nozzle_set_measures import (
    CompareOptions,
    SetMeasures,
    measure_nozzle_set,
)
from geoirrig.workflows.run_record import CAUTIONS, Progress

COMPARISON_CAUTION = (
    "A saving is at equal net depth: it is had only if every zone's clock is set to its new "
    "minutes. With the clock left as it is, turf goes short or drowns."
)
CAUSES = ("pressure", "evenness", "overspray", "runoff", "need")
_NAMED = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneSavings:
    """What a set saves against the layout as it stands; arrays of shape (n_zones,).

    Attributes
    ----------
    event, year : SavingByCause
        Of one event of the net depth, in litres; of a year, NaN without a climate. The parts add
        up to the change of ``water_l`` and ``water_m3_year``.
    clock_unchanged_l, clock_unchanged_l_year : ndarray
        What less flow would save if nobody touched the clock: beside the saving, never added. [L]
    need_met_fraction : ndarray
        Share of its need that the drier part would get then; NaN where the zone serves none. [1]
    """

    event: SavingByCause
    year: SavingByCause
    clock_unchanged_l: FloatArray
    clock_unchanged_l_year: FloatArray
    need_met_fraction: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedSet:
    """One set: what it makes of the site, and what that is against the layout as it stands.

    ``is_changed``, of shape (n_heads,), marks heads with another nozzle, pressure, flow or radius.
    """

    name: str
    layout: SprinklerLayout
    measures: SetMeasures
    savings: ZoneSavings
    is_changed: NDArray[np.bool_]

    @property
    def changed_heads(self) -> IntArray:
        """How many heads of each zone change."""
        n_zones = len(self.measures.zone_areas)
        return np.bincount(self.layout.zone_index[self.is_changed], minlength=n_zones)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Nozzle sets side by side, ready to be written and drawn.

    Attributes
    ----------
    site : LoadedSite
        The layout as it stands.
    sets : tuple of ComparedSet
        The layout as it stands first, then the sets in the order given.
    options : CompareOptions
        What was held equal.
    has_year : bool
        Whether a climate gave the water of a year.
    finding : str
        The answer in a sentence.
    unchanged : tuple of str
        What stays as it is, in sentences.
    warnings, cautions : tuple of str
        What the reader ought to know.
    """

    site: LoadedSite
    sets: tuple[ComparedSet, ...]
    options: CompareOptions
    has_year: bool
    finding: str
    unchanged: tuple[str, ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]


def compare_nozzles(
    site: LoadedSite,
    alternatives: Sequence[SiteAlternative],
    *,
    options: CompareOptions | None = None,
    climate: ClimateRecord | None = None,
    progress: Progress = lambda _: None,
) -> Comparison:
    """The layout as it stands and under each nozzle set, each a run of the engine of its own.

    Parameters
    ----------
    site : LoadedSite
        As it stands.
    alternatives : sequence of SiteAlternative
        Under each set; see `geoirrig.workflows.load_site.load_nozzle_sets`.
    options : CompareOptions, optional
        What is held equal; the defaults where absent.
    climate : ClimateRecord, optional
        Without it there is no water of a year.
    progress : callable, optional
        Told the name of each step as it begins.

    Returns
    -------
    Comparison
    """
    options = CompareOptions() if options is None else options
    progress("Running the layout as it stands")
    before = measure_nozzle_set(site, options=options, climate=climate)
    sets = [_compared(EXISTING, site, before, before, site)]
    warnings = list(site.inputs.warnings)
    for one in alternatives:
        progress(f"Running nozzle set {one.name!r}")
        after = measure_nozzle_set(one.site, options=options, climate=climate)
        at_pressure = None
        if one.at_new_pressure is not None:
            at_pressure = measure_nozzle_set(one.at_new_pressure, options=options, climate=climate)
        sets.append(_compared(one.name, one.site, before, after, site, at_pressure))
        warnings += one.site.inputs.warnings
    found = tuple(sets)
    return Comparison(
        site=site,
        sets=found,
        options=options,
        has_year=climate is not None,
        finding=_finding(found, has_year=climate is not None),
        unchanged=_unchanged(site, alternatives, found, options),
        warnings=(*warnings, *_idle_zones(site, found)),
        cautions=(COMPARISON_CAUTION, *CAUTIONS),
    )


def _compared(
    name: str,
    own: LoadedSite,
    before: SetMeasures,
    after: SetMeasures,
    site: LoadedSite,
    at_new_pressure: SetMeasures | None = None,
) -> ComparedSet:
    was, will_be = before.zones, after.zones
    clock = clock_unchanged_saving_l(
        was["flow_lpm"], will_be["flow_lpm"], np.nan_to_num(was["run_minutes"])
    )
    # of a year as of an event: the zone runs so many times as long
    events = _times(before.year.net_need_mm_year, before.event.net_need_mm_year)
    return ComparedSet(
        name=name,
        layout=own.inputs.layout,
        measures=after,
        savings=ZoneSavings(
            event=saving_by_cause(
                before.event,
                after.event,
                at_new_pressure=None if at_new_pressure is None else at_new_pressure.event,
            ),
            year=saving_by_cause(
                before.year,
                after.year,
                at_new_pressure=None if at_new_pressure is None else at_new_pressure.year,
            ),
            clock_unchanged_l=clock,
            clock_unchanged_l_year=clock * events,
            need_met_fraction=need_met_by_unchanged_clock(
                was["run_minutes"], will_be["run_minutes"]
            ),
        ),
        is_changed=_is_changed(site.inputs.layout, own.inputs.layout),
    )


def _times(year_mm: FloatArray, event_mm: FloatArray) -> FloatArray:
    """How many events of the net depth make the year; 0 where nothing is needed in either."""
    is_any = event_mm > 0.0
    times = np.divide(year_mm, event_mm, out=np.zeros_like(year_mm), where=is_any)
    return np.where(np.isnan(year_mm), np.nan, times)


def _is_changed(before: SprinklerLayout, after: SprinklerLayout) -> NDArray[np.bool_]:
    same: NDArray[np.bool_] = np.asarray(before.nozzle == after.nozzle, dtype=bool)
    for name in ("flow_lpm", "radius_m", "pressure_kpa"):
        a, b = getattr(before, name), getattr(after, name)
        same &= (a == b) | (np.isnan(a) & np.isnan(b))
    return ~same


# --- in words ------------------------------------------------------------------------------------


def _total_water_l(one: ComparedSet, *, has_year: bool) -> float:
    """Water of all zones, of a year or of one event."""
    measures = one.measures
    return float(np.sum(annual_water_l(measures.year if has_year else measures.event)))


def total_savings(savings: SavingByCause) -> Mapping[str, float]:
    """Litres saved by all zones, whole and by cause."""
    parts = {cause: float(np.sum(getattr(savings, f"{cause}_l"))) for cause in CAUSES}
    return {"saving": float(np.sum(savings.total_l)), **parts}


def _finding(sets: Sequence[ComparedSet], *, has_year: bool) -> str:
    """The set that saves most."""
    if len(sets) == 1:
        return "There is no nozzle set to compare with."
    existing = _total_water_l(sets[0], has_year=has_year)
    per = "a year" if has_year else "an event"
    best = min(sets[1:], key=lambda one: _total_water_l(one, has_year=has_year))
    savings = total_savings(best.savings.year if has_year else best.savings.event)
    share = savings["saving"] / existing if existing > 0.0 else 0.0
    if share <= 5e-4:
        return f"No set takes less water {per} than the nozzles that are there, at equal net depth."
    amount = _volume_text(savings["saving"], has_year=has_year)
    return (
        f"Set “{best.name}” takes least water: {amount} {per} less, {100.0 * share:.0f} %, at "
        "equal net depth."
    )


def _volume_text(litres: float, *, has_year: bool) -> str:
    """A volume in both unit systems: of a year in m³, of an event in litres."""
    gallons = litres / LITRES_PER_US_GALLON
    amount = f"{litres / LITRES_PER_M3:,.0f} m³" if has_year else f"{litres:,.0f} L"
    return f"{amount} ({gallons:,.0f} US gal)"


def _unchanged(
    site: LoadedSite,
    alternatives: Sequence[SiteAlternative],
    sets: Sequence[ComparedSet],
    options: CompareOptions,
) -> tuple[str, ...]:
    """What no set touches, and what is held equal."""
    sentences = [
        "Unchanged under every set: turf, slope and soil, where the heads stand, over what "
        "arc they throw, which zone they are in, and the cycles and soaks of the plan.",
        f"Held equal: an event of {depth_text(site.settings.event_depth_mm)} on the mean of the "
        "turf that each zone serves, for evenness, runoff and overspray; a net depth of "
        f"{depth_text(options.net_depth(site))} for the drier part, for the run minutes.",
    ]
    if np.isfinite(site.inputs.zone_plan.run_minutes).any():
        sentences.append(
            "Run minutes of the plan are not used: they were set for the nozzles that are there."
        )
    zones = np.array(site.inputs.zone_plan.zone, dtype=object)
    changed = [one.changed_heads > 0 for one in sets[1:]]
    untouched = zones[~np.any(changed, axis=0)] if changed else zones
    if len(untouched):
        sentences.append(
            f"No set changes a head of {listed_as('zone', untouched, at_most=_NAMED)}."
        )
    n_heads = len(site.inputs.layout.head_id)
    sentences += [
        f"Set “{one.name}” changes {np.count_nonzero(one.is_changed)} of {n_heads} heads."
        for one in sets[1:]
    ]
    if any(one.at_new_pressure is not None for one in alternatives):
        sentences.append(
            "At equal net depth a new pressure saves nothing by itself: its part is what it does "
            "to evenness, overspray and runoff with the nozzles that are there."
        )
    else:
        sentences.append(
            "No set states a pressure, so that no part of a saving comes from pressure. Less flow "
            "alone saves nothing: the same net depth then takes longer."
        )
    return tuple(sentences)


def _idle_zones(site: LoadedSite, sets: Sequence[ComparedSet]) -> tuple[str, ...]:
    """Sentences on zones that serve no turf under a set."""
    zones = np.array(site.inputs.zone_plan.zone, dtype=object)
    found = []
    for one in sets:
        idle = zones[one.measures.zones["served_area_m2"] == 0.0]
        if len(idle):
            where = "as it stands" if one.name == EXISTING else f"under set {one.name!r}"
            found.append(
                f"zones: {listed_as('zone', idle, at_most=_NAMED)} "
                f"{'serves' if len(idle) == 1 else 'serve'} no turf {where}: no run time, and no "
                "water is taken."
            )
    return tuple(found)
