"""Arcs that could be turned or narrowed to keep water on the turf, and by how much.

Around each head the water is summed by direction, once. What any arc from any start would put on
turf is then the difference of two running sums, so that all turns are compared at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.processors import run_in_threads
from geoirrig.records import ObjectArray, SprinklerLayout
from geoirrig.surfaces.arc_turn_kernels import (
    DIRECTIONS,
    Arcs,
    ThrownWater,
    TurfEdges,
    count_needing_cells,
    sum_turf_water,
)
from geoirrig.surfaces.head_findings import OVERSPRAY_WORTH_A_SENTENCE
from geoirrig.surfaces.layout_finding import LayoutFinding, severity
from geoirrig.surfaces.sector_superposition import SectorSet, sector_set
from geoirrig.units import PERCENT, FloatArray

SAVING_WORTH_A_FINDING = OVERSPRAY_WORTH_A_SENTENCE  # judgement: share of a head's water
SEVERITY_STEPS = (0.10, 0.20)  # judgement, on the same share
# A narrower arc may lose this share of the head's water on turf at either end: slivers of turf are
# not worth the water beside them. Judgement.
LOSS_AT_AN_END = 0.005
# A degree of turning must save this share: of equally good turns the smallest. Judgement.
WORTH_OF_A_DEGREE = 1e-4
_FEWEST_IN_A_THREAD = 200
# A grid whose units are those of the working plane.
_METRES = RasterGrid(left_m=0.0, top_m=0.0, cell_size_m=1.0, n_rows=1, n_cols=1)
_TURNS_DEG = np.array(sorted(range(-179, 181), key=abs), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class ArcAdvice:
    """Better arcs; arrays of shape (n_heads,). Shares are of the water that a head throws now.

    ``turn_deg`` is clockwise, 0 where turning does not pay; the arc is as it is where narrowing
    does not pay.
    """

    turn_deg: FloatArray
    start_bearing_deg: FloatArray  # [0, 360), after turning and narrowing
    arc_deg: FloatArray
    saved_by_turning: FloatArray
    saved_by_narrowing: FloatArray


def arc_advice(
    layout: SprinklerLayout,
    turf: ObjectArray,
    grid: RasterGrid,
    heads: NDArray[np.int64],
    *,
    spare_depth_mm: NDArray[np.float32],
    event_depth_mm: FloatArray,
    dry_area_m2: float,
) -> ArcAdvice:
    """Turn, and then narrow, each arc so that least water misses the turf and no turf falls dry.

    Parameters
    ----------
    layout : SprinklerLayout
        All heads.
    turf : ndarray of shapely polygons and multipolygons
        Turf in the working plane.
    grid : RasterGrid
        The cells.
    heads : ndarray of int, shape (n_heads,)
        Numbers of the heads asked about.
    spare_depth_mm : ndarray, shape (n_rows, n_cols)
        Event depth less that below which turf counts as dry; NaN off the turf. [mm]
    event_depth_mm : ndarray, shape (n_heads,)
        Mean depth that each of these heads puts on its own sector in one event. [mm]
    dry_area_m2 : float
        Turf that may fall dry: less than would be a dry spot. [m²]

    Returns
    -------
    ArcAdvice
        Whole degrees of turning, −179 to 180, away from the bearing as it is.

    Notes
    -----
    With w(θ) the head's water on turf by bearing, an arc α from s puts W(s+α) − W(s) there, W being
    the running sum of w. w is taken from the polygons, not from the cells, so that the angle does
    not depend on them; which turf would fall dry is asked of the cells. Turning keeps arc and flow.
    Narrowing keeps the rate, as matched nozzles do, and drops both ends of the arc up to where the
    turf begins. The ground is taken as level. Only turf that this arc waters now can fall dry. Each
    head is judged with all others as they stand: after a change, judge the layout again.
    """
    start, arc = layout.start_bearing_deg[heads], layout.arc_deg[heads]
    water = _running_sum(_turf_water(layout, turf, heads))
    advice = _chosen(start, arc, water, np.zeros_like(water), may_dry=0.0)
    pays = np.flatnonzero(advice.saved_by_turning + advice.saved_by_narrowing)
    needing = np.zeros_like(water)
    needing[pays] = _running_sum(
        _needing_cells(layout, grid, heads[pays], spare_depth_mm, event_depth_mm[pays])
    )
    return _chosen(start, arc, water, needing, may_dry=max(dry_area_m2 / grid.cell_area_m2, 1.0))


def _chosen(
    start: FloatArray, arc: FloatArray, water: FloatArray, needing: FloatArray, *, may_dry: float
) -> ArcAdvice:
    """Best arcs by running sums of the share on turf and of the cells that need the head."""
    is_part = arc < DIRECTIONS
    starts = (start[:, np.newaxis] + _TURNS_DEG) % DIRECTIONS
    landing = _between(water, starts, arc[:, np.newaxis]) / arc[:, np.newaxis]
    kept = _between(needing, starts, arc[:, np.newaxis])
    worth = landing - WORTH_OF_A_DEGREE * np.abs(_TURNS_DEG)
    best = np.argmax(np.where(kept[:, :1] - kept <= may_dry, worth, -np.inf), axis=1)
    gain = landing[np.arange(len(start)), best] - landing[:, 0]
    turns = is_part & (gain >= SAVING_WORTH_A_FINDING)
    turn = np.where(turns, _TURNS_DEG[best], 0.0)
    turned = (start + turn) % DIRECTIONS
    begins = turned.copy()
    for row in np.flatnonzero(~is_part):
        begins[row] = _middle_of_widest_gap(water[row])

    first, last = _wanted_part(water, begins, arc)
    narrow, new_arc = (begins + first) % DIRECTIONS, last - first
    lost = _between(water, begins, arc) - _between(water, narrow, new_arc)
    dried = _between(needing, begins, arc) - _between(needing, narrow, new_arc)
    less = (arc - new_arc - lost) / arc
    narrows = (less >= SAVING_WORTH_A_FINDING) & (dried <= may_dry) & (new_arc > 0.0)
    return ArcAdvice(
        turn_deg=turn,
        start_bearing_deg=np.where(narrows, narrow, turned),
        arc_deg=np.where(narrows, new_arc, arc),
        saved_by_turning=np.where(turns, gain, 0.0),
        saved_by_narrowing=np.where(narrows, less, 0.0),
    )


def arc_findings(
    layout: SprinklerLayout, heads: NDArray[np.int64], advice: ArcAdvice
) -> list[LayoutFinding]:
    """The heads whose arc is worth turning or narrowing, with what that saves."""
    found = []
    for row, head in enumerate(heads):
        by_turning = float(advice.saved_by_turning[row])
        by_narrowing = float(advice.saved_by_narrowing[row])
        if by_turning + by_narrowing <= 0.0:
            continue
        found.append(
            LayoutFinding(
                kind="arc_to_turn" if by_turning > 0.0 else "arc_to_narrow",
                severity=severity(by_turning + by_narrowing, SEVERITY_STEPS),
                x_m=float(layout.x_m[head]),
                y_m=float(layout.y_m[head]),
                measured_value=by_turning + by_narrowing,
                limit_value=SAVING_WORTH_A_FINDING,
                value_unit="1",
                sentence=_sentence(layout, int(head), advice, row),
                head=int(head),
                zone=int(layout.zone_index[head]),
                turn_deg=float(advice.turn_deg[row]),
                advised_start_bearing_deg=float(advice.start_bearing_deg[row]),
                advised_arc_deg=float(advice.arc_deg[row]),
            )
        )
    return found


def _sentence(layout: SprinklerLayout, head: int, advice: ArcAdvice, row: int) -> str:
    name, turn = layout.head_id[head], advice.turn_deg[row]
    by_turning = PERCENT * advice.saved_by_turning[row]
    by_narrowing = PERCENT * advice.saved_by_narrowing[row]
    said = []
    if by_turning > 0.0:
        sense = "clockwise" if turn > 0.0 else "counter-clockwise"
        said.append(
            f"Turn head {name} {abs(turn):.0f}° {sense}: {by_turning:.0f} % of its water then "
            "falls on turf instead of beside it."
        )
    if by_narrowing > 0.0:
        said.append(
            f"Narrow the arc of head {name} from {layout.arc_deg[head]:.0f}° to "
            f"{advice.arc_deg[row]:.0f}°: that saves {by_narrowing:.0f} % of its water, which "
            "falls beside the turf."
        )
    bearing = round(float(advice.start_bearing_deg[row])) % DIRECTIONS
    return " ".join([*said, f"New start bearing: {bearing}°."])


def _turf_water(layout: SprinklerLayout, turf: ObjectArray, heads: NDArray[np.int64]) -> FloatArray:
    """Share of what each head throws in each direction that falls on turf, (n_heads, 360)."""
    parts = np.asarray(shapely.normalize(shapely.get_parts(turf)))  # shells clockwise, holes not
    rings, part = shapely.get_rings(parts, return_index=True)
    corners, ring = shapely.get_coordinates(rings, return_index=True)
    is_edge = ring[1:] == ring[:-1]
    owner = part[ring[1:][is_edge]]
    x, y, radius = layout.x_m[heads], layout.y_m[heads], layout.radius_m[heads]
    head, near = shapely.STRtree(parts).query(
        shapely.box(x - radius, y - radius, x + radius, y + radius)
    )
    order = np.lexsort((near, head))
    edges = TurfEdges(
        near_start=np.searchsorted(head[order], np.arange(len(heads) + 1)).astype(np.int64),
        near=near[order].astype(np.int64),
        edge_start=np.searchsorted(owner, np.arange(len(parts) + 1)).astype(np.int64),
        ends=np.column_stack([corners[:-1][is_edge], corners[1:][is_edge]]),
    )
    sectors = sector_set(layout, _METRES, heads=heads)
    thrown = _thrown_water(sectors)
    found = np.zeros((len(heads), DIRECTIONS))

    def work(first: int, end: int) -> None:
        sum_turf_water(first, end, thrown, edges, found)

    run_in_threads(work, len(heads), smallest=_FEWEST_IN_A_THREAD)
    return np.clip(found, 0.0, 1.0, out=found)  # polygons may overlap


def _needing_cells(
    layout: SprinklerLayout,
    grid: RasterGrid,
    heads: NDArray[np.int64],
    spare_depth_mm: NDArray[np.float32],
    event_depth_mm: FloatArray,
) -> FloatArray:
    """Cells in each direction that would be dry without each head, (n_heads, 360)."""
    thrown = _thrown_water(sector_set(layout, grid, heads=heads))
    arcs = Arcs(
        start_bearing_deg=layout.start_bearing_deg[heads],
        arc_deg=layout.arc_deg[heads],
        depth_mm=event_depth_mm,
    )
    found = np.zeros((len(heads), DIRECTIONS))

    def work(first: int, end: int) -> None:
        count_needing_cells(first, end, thrown, arcs, spare_depth_mm, found)

    run_in_threads(work, len(heads), smallest=_FEWEST_IN_A_THREAD)
    return found


def _thrown_water(sectors: SectorSet) -> ThrownWater:
    return ThrownWater(
        x=sectors.col,
        y=-sectors.row,
        radius=sectors.radius,
        base=sectors.base,
        hinge_start=sectors.hinge_start,
        knots=sectors.knots,
        slopes=sectors.slopes,
    )


def _running_sum(density: FloatArray) -> FloatArray:
    """Sum from bearing 0 up to every whole degree of two full turns, shape (n_heads, 721)."""
    twice = np.concatenate([np.zeros((len(density), 1)), density, density], axis=1)
    return np.asarray(np.cumsum(twice, axis=1, out=twice))


def _at(running: FloatArray, bearing_deg: FloatArray) -> FloatArray:
    """Running sums at bearings from 0 to 720, shape (n_heads,) or (n_heads, n_bearings)."""
    bearings = np.atleast_2d(bearing_deg.T).T
    degree = np.minimum(bearings.astype(np.int64), 2 * DIRECTIONS - 1)
    below = np.take_along_axis(running, degree, axis=1)
    above = np.take_along_axis(running, degree + 1, axis=1)
    return (below + (bearings - degree) * (above - below)).reshape(bearing_deg.shape)


def _between(running: FloatArray, start_deg: FloatArray, arc_deg: FloatArray) -> FloatArray:
    """Sums over arcs that begin at bearings in [0, 360)."""
    return _at(running, start_deg + arc_deg) - _at(running, start_deg)


def _middle_of_widest_gap(running: FloatArray) -> float:
    """Bearing in the middle of the widest stretch without turf around a full circle."""
    begins = np.arange(DIRECTIONS)
    allowed = LOSS_AT_AN_END * running[DIRECTIONS]
    ends = np.searchsorted(running, running[:DIRECTIONS] + allowed, side="right") - 1
    widest = int(np.argmax(ends - begins))
    return float((widest + ends[widest]) // 2 % DIRECTIONS)


def _wanted_part(
    water: FloatArray, start_deg: FloatArray, arc_deg: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """First and last whole degree, counted from the start, of the part of each arc with turf."""
    degrees = np.arange(DIRECTIONS + 1, dtype=np.float64)
    places = start_deg[:, np.newaxis] + np.minimum(degrees, arc_deg[:, np.newaxis])
    swept = _at(water, places) - _at(water, start_deg)[:, np.newaxis]
    loss = LOSS_AT_AN_END * swept[:, -1:]
    first = np.count_nonzero(swept <= loss, axis=1) - 1.0
    last = np.count_nonzero(swept < swept[:, -1:] - loss, axis=1)
    return np.maximum(first, 0.0), np.minimum(last, arc_deg)
