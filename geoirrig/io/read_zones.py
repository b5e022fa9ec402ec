"""Zones: what one valve runs, in running order, with the plan as it stands."""

from __future__ import annotations

import numpy as np

from geoirrig.errors import ProblemList
from geoirrig.io.column_values import check_required_columns, number_column, row_ids
from geoirrig.io.columns import listed
from geoirrig.io.open_layer import LayerTable
from geoirrig.records import ObjectArray, ZonePlan


def read_zone_plan(
    table: LayerTable | None, head_zone: ObjectArray, problems: ProblemList
) -> ZonePlan:
    """Zones that have heads, in the order in which they run.

    Parameters
    ----------
    table : LayerTable or None
        The zones table; its order is the running order. None: there is none.
    head_zone : ndarray of str
        Zone of every head; "" is passed over.
    problems : ProblemList
        Takes problems and warnings.

    Returns
    -------
    ZonePlan
        Zones of the table first, then those it lacks, sorted by name. Where the plan does not say:
        run minutes NaN, one cycle, no soak.
    """
    with_heads = {zone for zone in head_zone.tolist() if zone}
    planned: list[str] = []
    plan: dict[str, tuple[float, float, float]] = {}
    if table is not None:
        check_required_columns(table, problems)
        planned = [str(zone).strip() for zone in row_ids(table, problems)]
        columns = [
            number_column(table, name, problems)
            for name in ("run_minutes", "cycles", "soak_minutes")
        ]
        plan = dict(zip(planned, zip(*columns, strict=True), strict=True))
        idle = [zone for zone in dict.fromkeys(planned) if zone not in with_heads]
        if idle and with_heads and "zone" in table.columns:
            problems.warn(
                f"{table.start}: no head belongs to zone {listed(idle, at_most=5)}; left out."
            )
    listed_zones = [zone for zone in dict.fromkeys(planned) if zone in with_heads]
    order = listed_zones + sorted(with_heads - set(listed_zones))
    nothing = (np.nan, np.nan, np.nan)
    values = np.array([plan.get(zone, nothing) for zone in order], dtype=np.float64).reshape(-1, 3)
    run_minutes, cycles, soak_minutes = values.T
    return ZonePlan(
        zone=tuple(order),
        run_minutes=run_minutes.copy(),
        cycles=np.where(np.isnan(cycles), 1.0, cycles).astype(np.int64),
        soak_minutes=np.where(np.isnan(soak_minutes), 0.0, soak_minutes),
    )
