"""Tables of a proposal: heads ready for an analysis, changes for an installer, zones."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.io.columns import LAYERS
from geoirrig.records import ObjectArray, ResultTable, SprinklerLayout
from geoirrig.units import FloatArray, length_text
from geoirrig.workflows.optimize_layout import OptimizedSite

_MEASURED = ("arc_deg", "start_bearing_deg", "radius_m", "flow_lpm", "pressure_kpa")
_FULL_CIRCLE_DEG = 360.0


def proposal_tables(found: OptimizedSite) -> tuple[ResultTable, ResultTable, ResultTable]:
    """The layers ``heads`` and ``changes``, and the attribute table ``optimized_zones``."""
    return proposed_heads(found), layout_changes(found), optimized_zones(found)


def proposed_heads(found: OptimizedSite) -> ResultTable:
    """The proposal in the schema of the input layer, carried columns included.

    Every head states its own arc, bearing, radius, flow and pressure, in SI and under one spelling,
    so that an analysis gets exactly what was computed; nozzle and profile tables stay as they are.
    """
    layout = found.proposal
    schema = LAYERS["heads"]
    replaced = {spelling for name in _MEASURED for spelling in schema.column(name).spellings} | {
        "head_id",
        "zone",
        "nozzle",
        "trajectory_deg",
    }
    carried = {n: v for n, v in layout.attributes.items() if n not in replaced}
    return ResultTable(
        name="heads",
        columns={
            "head_id": layout.head_id,
            "zone": _zones(found, layout),
            "nozzle": _or_null(layout.nozzle),
            **{name: getattr(layout, name) for name in _MEASURED},
            "trajectory_deg": layout.trajectory_deg,
            **carried,
        },
        geometry=np.asarray(shapely.points(layout.x_m, layout.y_m), dtype=object),
        geometry_type="Point",
    )


def layout_changes(found: OptimizedSite) -> ResultTable:
    """Heads that an installer has to touch, with what is there and what is to be there."""
    old, new = found.site.inputs.layout, found.proposal
    n_old = len(old.x_m)
    is_changed = np.ones(len(new.x_m), dtype=bool)
    is_changed[:n_old] = _differs(old, new)
    rows = np.flatnonzero(is_changed)
    is_added = rows >= n_old
    columns: dict[str, NDArray[Any]] = {
        "head_id": new.head_id[rows],
        "zone": _zones(found, new)[rows],
        "change": np.where(is_added, "add a head", "refit").astype(object),
        "old_nozzle": _or_null(np.array(["" if a else old.nozzle[r]
                                         for r, a in zip(rows, is_added, strict=True)],
                                        dtype=object)),
        "new_nozzle": _or_null(new.nozzle[rows]),
    }  # fmt: skip
    for name in ("arc_deg", "start_bearing_deg", "radius_m", "flow_lpm"):
        before = np.append(getattr(old, name), np.full(len(new.x_m) - n_old, np.nan))
        columns[f"old_{name}"], columns[f"new_{name}"] = before[rows], getattr(new, name)[rows]
    columns["instruction"] = np.array([_instruction(old, new, int(r)) for r in rows], dtype=object)
    return ResultTable(
        name="changes",
        columns=columns,
        geometry=np.asarray(shapely.points(new.x_m[rows], new.y_m[rows]), dtype=object),
        geometry_type="Point",
    )


def optimized_zones(found: OptimizedSite) -> ResultTable:
    """Zones before and after, with the bound; NaN where a zone was not worked.

    Uniformities are those of an analysis; ``gap`` is the bound over ``du_lq_after``, less 1. What
    the bound says: `geoirrig.workflows.optimize_layout.ZoneProof`.
    """
    n_zones = len(found.proofs)
    old, new = found.site.inputs.layout, found.proposal
    changed = np.append(_differs(old, new), np.ones(len(new.x_m) - len(old.x_m), dtype=bool))

    def proven(name: str) -> FloatArray:
        return np.array([np.nan if one is None else getattr(one, name) for one in found.proofs])

    columns: dict[str, NDArray[Any]] = {
        "zone": np.array(found.site.inputs.zone_plan.zone, dtype=object),
        "du_lq_before": found.before.du_lq,
        "du_lq_after": found.after.du_lq,
        "du_lq_bound": proven("du_lq_bound"),
        "gap": np.maximum(0.0, proven("du_lq_bound") / found.after.du_lq - 1.0),
        "changed_head_count": np.bincount(new.zone_index[changed], minlength=n_zones),
    }
    for when, measures in (("before", found.before), ("after", found.after)):
        columns[f"flow_{when}_lpm"] = measures.flow_lpm
        columns[f"overspray_fraction_{when}"] = measures.overspray_fraction
        columns[f"runoff_{when}_l"] = measures.runoff_l
    columns["seconds"] = proven("seconds")
    return ResultTable(name="optimized_zones", columns=columns, geometry=None)


def _zones(found: OptimizedSite, layout: SprinklerLayout) -> ObjectArray:
    return np.array(found.site.inputs.zone_plan.zone, dtype=object)[layout.zone_index]


def _or_null(words: ObjectArray) -> ObjectArray:
    return np.array([word or None for word in words.tolist()], dtype=object)


def _differs(old: SprinklerLayout, new: SprinklerLayout) -> NDArray[np.bool_]:
    """Which of the heads that stand are to be touched."""
    n = len(old.x_m)
    differs = np.asarray(old.nozzle != new.nozzle[:n], dtype=bool)
    for name in ("arc_deg", "start_bearing_deg", "radius_m", "flow_lpm"):
        differs |= getattr(old, name) != getattr(new, name)[:n]
    return differs


def _instruction(old: SprinklerLayout, new: SprinklerLayout, row: int) -> str:
    """What to do at one head, in a sentence with both unit systems."""
    arc, start = new.arc_deg[row], new.start_bearing_deg[row]
    sector = (
        "full circle"
        if arc >= _FULL_CIRCLE_DEG
        else f"arc {arc:.0f}° clockwise from bearing {start:.0f}°"
    )
    fitting = f"nozzle {new.nozzle[row]}" if new.nozzle[row] else "the nozzle that is there"
    if row >= len(old.x_m):
        what = f"Set a new head {_place(old, new, row)}, with {fitting},"
    elif not new.nozzle[row] or (old.nozzle[row] == new.nozzle[row] and old.arc_deg[row] == arc):
        what = f"Keep {fitting} and set it to"
    else:
        what = f"Fit {fitting},"
    return f"{what} {sector}, radius {length_text(new.radius_m[row])}."


def _place(old: SprinklerLayout, new: SprinklerLayout, row: int) -> str:
    """Where a new head goes, from the nearest head that stands."""
    east, north = new.x_m[row] - old.x_m, new.y_m[row] - old.y_m
    away = np.hypot(east, north)
    near = int(np.argmin(away))
    bearing = round(math.degrees(math.atan2(east[near], north[near]))) % 360
    return f"{length_text(away[near])} from {old.head_id[near]} at bearing {bearing}°"
