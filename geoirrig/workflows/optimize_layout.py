"""A better nozzle, arc, bearing and radius for every head, with a bound on what is possible."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace

import numpy as np

from geoirrig.errors import ProblemList
from geoirrig.optimisation.limits import binding_limits
from geoirrig.optimisation.optimum import LayoutOptimum, most_even_layout
from geoirrig.optimisation.search import columns_of, uniformity_of
from geoirrig.records import IntArray, SprinklerLayout
from geoirrig.surfaces.cell_groups import CellGroups, group_sums
from geoirrig.surfaces.coverage_tables import uniformity_measures
from geoirrig.surfaces.runoff_risk_surface import runoff_risk_surface
from geoirrig.surfaces.zone_turf import served_zone
from geoirrig.units import FloatArray
from geoirrig.wording import counted
from geoirrig.workflows.head_places import joined, with_ids
from geoirrig.workflows.load_site import LoadedSite
from geoirrig.workflows.nozzle_candidates import NozzleTable, layout_rows
from geoirrig.workflows.run_record import Progress
from geoirrig.workflows.site_water import lay_out_water
from geoirrig.workflows.zone_case import (
    OptimizeOptions,
    ZoneCase,
    dry_turf,
    on_served_turf,
    zone_case,
)

WORTH_OF_HEADS = 0.005  # uniformity that added heads have to bring; judgement
_SHARE_BEFORE_HEADS = 0.4  # of the time, for the heads that stand before others are added
_ROUNDING = 1e-6  # relative: rates are kept in single precision


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneMeasures:
    """What an analysis says of every zone; arrays of shape (n_zones,), but for the last."""

    du_lq: FloatArray
    flow_lpm: FloatArray
    overspray_fraction: FloatArray
    runoff_l: FloatArray
    dry_turf_m2: float  # of the site


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneProof:
    """What was proven of one zone, on the turf that it serves in the proposal.

    Attributes
    ----------
    du_lq_bound : float
        With the other zones as proposed, no choice of this zone's candidates that keeps its limits
        is more even on that turf. [1]
    put_back : int
        Heads that did not get the fitting that is most even, since an analysis of the whole site
        was worse with it. The bound does not know of that.
    seconds : float
        Time taken.
    """

    du_lq_bound: float
    put_back: int
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OptimizedSite:
    """The site as it stands and as proposed; ``proofs`` are in running order, None: not worked."""

    site: LoadedSite
    proposal: SprinklerLayout
    before: ZoneMeasures
    after: ZoneMeasures
    proofs: tuple[ZoneProof | None, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _WorkedZone:
    """A zone with the layout that was accepted, and a bound on the turf that was scored."""

    case: ZoneCase
    layout: IntArray
    bound: float
    put_back: int
    seconds: float


def optimize_layout(
    site: LoadedSite,
    table: NozzleTable,
    *,
    options: OptimizeOptions | None = None,
    progress: Progress = lambda _: None,
) -> OptimizedSite:
    """Choose fittings zone after zone; an analysis never scores the proposal worse.

    Parameters
    ----------
    site : LoadedSite
        The layout as it stands.
    table : NozzleTable
        Candidates.
    options : OptimizeOptions, optional
        Limits and effort.
    progress : callable, optional
        Told the name of each step as it begins.

    Returns
    -------
    OptimizedSite

    Raises
    ------
    InputError
        Where no choice keeps the limits of a zone: it names the limits that bind.

    Notes
    -----
    Each zone is worked on the turf that it serves, and on dry turf nearest to one of its heads;
    then the whole site is analysed with the change. If a zone is less even than today, more water
    runs off or more turf is dry, heads go back to what they were, those that cost least evenness
    first, until that is mended. Where a zone ends up with other turf than it was worked on, since
    zones overlap or dry turf was left or gained, its bound is proven anew on what it serves then,
    so that uniformity and bound speak of the same turf.
    """
    options = OptimizeOptions() if options is None else options
    progress("Analysing the layout as it stands")
    before = zone_measures(site)
    n_zones = len(before.du_lq)
    problems = ProblemList()
    worked: list[_WorkedZone | None] = [None] * n_zones
    current, to_add = site, options.add_heads
    for zone in np.argsort(np.nan_to_num(before.du_lq), kind="stable").tolist():
        name = site.inputs.zone_plan.zone[zone]
        progress(f"Choosing fittings for zone {name}")
        case = zone_case(current, table, zone, options, to_add)
        if case is None:
            continue
        n_before = len(current.inputs.layout.x_m)
        current, worked[zone] = _worked(current, case, before, options, problems)
        to_add -= len(current.inputs.layout.x_m) - n_before
    problems.raise_if_any()
    after = zone_measures(current)
    found = [
        None if one is None else _proven(current, one, float(du_lq), options)
        for one, du_lq in zip(worked, after.du_lq, strict=True)
    ]
    return OptimizedSite(
        site=site,
        proposal=with_ids(current.inputs.layout),
        before=before,
        after=after,
        proofs=tuple(found),
        warnings=_warnings(site, found),
    )


def zone_measures(site: LoadedSite) -> ZoneMeasures:
    """The columns of an analysis that a proposal is judged by."""
    inputs, n_zones = site.inputs, len(site.inputs.zone_plan.zone)
    water = lay_out_water(site)
    groups = CellGroups(served_zone(water.precipitation, site.cells), n_zones)
    runoff = runoff_risk_surface(
        water.precipitation,
        site.terrain,
        site.cells,
        inputs.turf,
        water.event,
        settings=site.settings,
    )
    layout = inputs.layout
    flow: FloatArray = np.bincount(
        layout.zone_index, weights=layout.flow_lpm, minlength=n_zones
    ).astype(np.float64)
    hit = layout.flow_lpm * water.precipitation.head_on_target_fraction
    on_target = np.bincount(layout.zone_index, weights=hit, minlength=n_zones)
    dry = dry_turf(water.precipitation, site)
    return ZoneMeasures(
        du_lq=uniformity_measures(groups.of(water.precipitation.precipitation_rate_mm_h))["du_lq"],
        flow_lpm=flow,
        overspray_fraction=1.0 - on_target / flow,
        runoff_l=site.grid.cell_area_m2 * group_sums(groups.of(runoff.runoff_depth_mm)),
        dry_turf_m2=float(np.count_nonzero(dry)) * site.grid.cell_area_m2,
    )


def _worked(
    site: LoadedSite,
    case: ZoneCase,
    today: ZoneMeasures,
    options: OptimizeOptions,
    problems: ProblemList,
) -> tuple[LoadedSite, _WorkedZone | None]:
    """The site with the zone's best layout that an analysis accepts."""
    begun = time.monotonic()
    # told first: the linear programme of the search fails on limits that are far out of reach
    binding = tuple(binding_limits(case.choices, case.limits))
    found = None if binding else _chosen(case, options)
    if found is None or found.layout is None or found.bound is None:
        is_proven = found is None or found.bound is None
        problems.add(_no_layout_text(site, case, binding, is_proven=is_proven))
        return site, None
    proposed, layout = _accepted(site, case, found.layout, today, options)
    if proposed is None:
        problems.add(
            f"Zone {site.inputs.zone_plan.zone[case.zone]!r}: every choice found that keeps the "
            "stated limits makes a zone less even than today, leaves more turf dry or lets more "
            "run off. Raise a limit, add candidates, or allow more runoff."
        )
        return site, None
    return proposed, _WorkedZone(
        case=case,
        layout=layout,
        bound=found.bound,
        put_back=int(np.count_nonzero(layout != found.layout)),
        seconds=time.monotonic() - begun,
    )


def _chosen(case: ZoneCase, options: OptimizeOptions) -> LayoutOptimum:
    """The most even layout of a zone; with heads to add, sought from the best one without them.

    Else a layout that only pays when all heads are changed could be missed on the way.
    """
    if not case.limits.added_heads:
        return most_even_layout(
            case.choices, case.limits, case.start, gap=options.gap, seconds=options.seconds_a_zone
        )
    none, seconds = replace(case.limits, added_heads=0), options.seconds_a_zone
    before = _SHARE_BEFORE_HEADS * seconds
    without = most_even_layout(case.choices, none, case.start, gap=options.gap, seconds=before)
    start = case.start if without.layout is None else without.layout
    found = most_even_layout(
        case.choices, case.limits, start, gap=options.gap, seconds=seconds - before
    )
    if found.uniformity < without.uniformity + WORTH_OF_HEADS:
        return replace(found, layout=without.layout, uniformity=without.uniformity)
    return found


def _proven(
    site: LoadedSite, worked: _WorkedZone, du_lq: float, options: OptimizeOptions
) -> ZoneProof:
    """The bound on the turf that a zone serves in the end."""
    begun, bound = time.monotonic(), worked.bound
    case = on_served_turf(worked.case, site)
    if case is not worked.case:
        found = most_even_layout(
            case.choices,
            case.limits,
            worked.layout,
            gap=options.gap,
            seconds=options.seconds_a_zone,
        )
        bound = 1.0 if found.bound is None else found.bound
    return ZoneProof(
        du_lq_bound=max(bound, du_lq),  # rates of an analysis are rounded to single precision
        put_back=worked.put_back,
        seconds=worked.seconds + time.monotonic() - begun,
    )


def _no_layout_text(
    site: LoadedSite, case: ZoneCase, binding: tuple[str, ...], *, is_proven: bool
) -> str:
    name = site.inputs.zone_plan.zone[case.zone]
    if not is_proven:
        return (
            f"Zone {name!r}: no choice that keeps the limits was found in the time given, nor the "
            "proof that there is none. Allow more time, raise a limit or add candidates."
        )
    which = " and ".join(binding) if binding else "dry turf"
    return (
        f"Zone {name!r}: no choice from the nozzle table keeps all limits; what binds is the limit "
        f"on the {which}. Raise it or add candidates."
    )


def _accepted(
    site: LoadedSite,
    case: ZoneCase,
    layout: IntArray,
    today: ZoneMeasures,
    options: OptimizeOptions,
) -> tuple[LoadedSite | None, IntArray]:
    """The proposed site, with heads put back until an analysis scores it no worse than today."""
    columns = columns_of(case.choices, case.limits)
    layout = layout.copy()
    while True:
        proposed = _with_layout(site, case, layout)
        if uniformity_of(layout, columns) >= 0.0 and _is_no_worse(
            zone_measures(proposed), today, runoff_may_rise=options.runoff_may_rise
        ):
            return proposed, layout
        changed = np.flatnonzero(layout != case.start)
        if not len(changed):
            return None, layout
        values = []
        for head in changed:
            back = layout.copy()
            back[head] = case.start[head]
            values.append(uniformity_of(back, columns))
        head = changed[int(np.argmax(values))]
        layout[head] = case.start[head]


def _is_no_worse(after: ZoneMeasures, today: ZoneMeasures, *, runoff_may_rise: bool) -> bool:
    served = np.isfinite(today.du_lq)
    even = np.all(after.du_lq[served] >= today.du_lq[served] * (1.0 - _ROUNDING))
    wet = after.dry_turf_m2 <= today.dry_turf_m2
    runoff = float(np.sum(after.runoff_l)) <= float(np.sum(today.runoff_l)) * (1.0 + _ROUNDING)
    return bool(even and wet and (runoff or runoff_may_rise))


def _with_layout(site: LoadedSite, case: ZoneCase, layout: IntArray) -> LoadedSite:
    """The site with one layout of the zone; heads keep their rows, new ones come last."""
    within = layout - case.choices.first[:-1]
    stands = within < np.diff(case.first)  # else it is "no head"
    rows = (case.first[:-1] + within)[stands]
    old = site.inputs.layout
    fitted = layout_rows(case.candidates, rows)
    n_heads = len(case.heads)
    others = np.setdiff1d(np.arange(len(old.x_m)), case.heads)
    both = joined([layout_rows(old, others), fitted])
    number = np.concatenate([others, case.heads, len(old.x_m) + np.arange(len(rows) - n_heads)])
    return replace(site, inputs=replace(site.inputs, layout=layout_rows(both, np.argsort(number))))


def _warnings(site: LoadedSite, proofs: list[ZoneProof | None]) -> tuple[str, ...]:
    found = []
    for zone, proof in zip(site.inputs.zone_plan.zone, proofs, strict=True):
        if proof is None:
            found.append(f"Zone {zone!r} has no turf to water; it stays as it is.")
        elif proof.put_back:
            found.append(
                f"Zone {zone!r}: {counted(proof.put_back, 'head')} did not get the fitting that is "
                "most even, since with it a zone would be less even, more turf dry or more water "
                "run off (which --allow-more-runoff permits); the bound leaves that out of account."
            )
    return tuple(found)
