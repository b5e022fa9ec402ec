"""Blocks, lots, lawns and paving of an invented city, as arrays.

Blocks lie in a lattice of streets, each turned a little; two rows of lots stand back to back in a
block, with side lines that lean. Every fortieth block has a park in place of its back row. In a lot
lengths are a (along the street, from the left) and b (away from it); they are laid on the ground by
the bilinear map of the lot's four corners, so that a lawn's corners are as skew as the lot.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

ORIGIN_M = (420_000.0, 4_610_000.0)
LOTS_ACROSS, LOTS_IN_BLOCK, LOTS_IN_PARK_BLOCK = 9, 18, 10
PARK_EVERY, PARK_AT = 40, 3
BLOCK_LENGTH_M, BLOCK_DEPTH_M, STREET_M = 176.0, 70.0, 14.0
CELL_M = np.array((BLOCK_LENGTH_M + STREET_M, BLOCK_DEPTH_M + STREET_M))
FRONT, VERGE, SIDE, BACK, PARK = range(5)  # kinds of lawn
PARK_LAWNS = 6
PAVED = ("building", "concrete drive", "concrete walk", "paved patio", "sidewalk")
QUAD, ELL, CHAMFER = range(3)  # shapes of lawn
_CORNERS_OF_SHAPE = np.array((4, 6, 5))


@dataclass(frozen=True, slots=True, kw_only=True)
class Lots:
    """Lots of some blocks; corners run clockwise from the one on the street at the left."""

    number: Ints  # in the whole city
    corner_m: Floats  # (n, 4, 2)
    block: Ints
    is_park: Bools

    @property
    def width_m(self) -> Floats:
        """Mean width."""
        c = self.corner_m
        return (_length(c[:, 3] - c[:, 0]) + _length(c[:, 2] - c[:, 1])) / 2.0

    @property
    def depth_m(self) -> Floats:
        """Mean depth."""
        c = self.corner_m
        return (_length(c[:, 1] - c[:, 0]) + _length(c[:, 2] - c[:, 3])) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Areas:
    """Lawns or paving as rectangles in a and b of their lot, some with a corner cut out or off."""

    lot: Ints  # row of `Lots`
    kind: Ints
    rectangle_m: Floats  # (n, 4): a and b of one corner, a and b of the other
    shape: Ints
    cut: Floats  # (n, 2): share of either side that is cut
    is_mirrored: Bools  # (n, 2): which corner is cut

    def take(self, rows: Ints) -> Areas:
        """Some of the areas, in that order."""
        return Areas(
            **{name: getattr(self, name)[rows] for name in self.__slots__},
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rings:
    """Corners of areas on the ground, clockwise; ring k holds those from start[k] on."""

    corner_m: Floats  # (n_corners, 2)
    start: Ints  # (n_rings + 1,)

    @property
    def ring(self) -> Ints:
        """Ring of every corner."""
        return np.repeat(np.arange(len(self.start) - 1), np.diff(self.start))

    @property
    def following(self) -> Ints:
        """Row of the next corner of the same ring."""
        after = np.arange(1, len(self.corner_m) + 1)
        after[self.start[1:] - 1] = self.start[:-1]
        return after


def block_counts(n_parcels: int) -> Ints:
    """Number of lots in each of the blocks that so many parcels need."""
    blocks = np.arange(n_parcels // LOTS_IN_PARK_BLOCK + 1)
    lots = np.where(blocks % PARK_EVERY == PARK_AT, LOTS_IN_PARK_BLOCK, LOTS_IN_BLOCK)
    return lots[: int(np.searchsorted(np.cumsum(lots), n_parcels)) + 1].astype(np.int64)


def block_place(block: Ints) -> tuple[Ints, Ints]:
    """Column and row of blocks, counted in growing squares: more blocks leave the first in place.

    Examples
    --------
    >>> [place.tolist() for place in block_place(np.arange(5))]
    [[0, 1, 1, 0, 2], [0, 0, 1, 1, 0]]
    """
    shell = np.sqrt(block).astype(np.int64)
    step = block - shell**2
    return np.where(step <= shell, shell, 2 * shell - step), np.where(step <= shell, step, shell)


def block_turn_rad(column: Ints, row: Ints) -> Floats:
    """How far blocks are turned: at most 3°, nearly as far as their neighbours."""
    return np.radians(3.0) * np.sin(0.35 * column + 0.2) * np.cos(0.3 * row)


def lots_of_blocks(block: Ints, first_lot: Ints, rng: np.random.Generator) -> Lots:
    """Lots of blocks, block by block: those of the front row, then those of the back row."""
    n = len(block)
    share = np.cumsum(rng.uniform(0.8, 1.2, (n, LOTS_ACROSS)), axis=1)
    share = np.concatenate((np.zeros((n, 1)), share), axis=1) / share[:, -1:]
    back = share * BLOCK_LENGTH_M
    lean = rng.uniform(-0.8, 0.8, (n, 2, LOTS_ACROSS + 1))
    lean[:, :, [0, -1]] = 0.0
    front, rear = back + lean[:, 0], back + lean[:, 1]
    middle = np.broadcast_to(rng.uniform(32.0, 38.0, (n, 1)), (n, LOTS_ACROSS))
    zero, top = np.zeros_like(middle), np.full_like(middle, BLOCK_DEPTH_M)
    left, right = slice(None, -1), slice(1, None)
    front_row = [(front[:, left], zero), (back[:, left], middle),
                 (back[:, right], middle), (front[:, right], zero)]  # fmt: skip
    back_row = [(rear[:, right], top), (back[:, right], middle),
                (back[:, left], middle), (rear[:, left], top)]  # fmt: skip
    corner = np.concatenate(
        [np.stack([np.stack(p, axis=-1) for p in r], axis=2) for r in (front_row, back_row)], axis=1
    )
    has_park = block % PARK_EVERY == PARK_AT
    hedge = middle[:, 0] + 0.5  # the park ends there, half a metre short of the lots behind it
    west, east = np.zeros(n), np.full(n, BLOCK_LENGTH_M)
    park = np.stack(
        [np.stack(p, axis=-1) for p in ((east, top[:, 0]), (east, hedge), (west, hedge),
                                       (west, top[:, 0]))], axis=1
    )  # fmt: skip
    corner[has_park, LOTS_ACROSS] = park[has_park]
    place = np.broadcast_to(np.arange(LOTS_IN_BLOCK), (n, LOTS_IN_BLOCK))
    is_used = ~has_park[:, np.newaxis] | (place < LOTS_IN_PARK_BLOCK)
    corner = _on_ground(corner, block)
    which = np.broadcast_to(block[:, np.newaxis], place.shape)
    return Lots(
        number=(first_lot[:, np.newaxis] + place)[is_used],
        corner_m=np.round(corner[is_used], 3),
        block=which[is_used],
        is_park=(has_park[:, np.newaxis] & (place == LOTS_ACROSS))[is_used],
    )


def _on_ground(point_m: Floats, block: Ints) -> Floats:
    """Points (n_blocks, …, 2) of blocks, from the block's own corner, on the map."""
    column, row = block_place(block)
    turn = block_turn_rad(column, row)
    own = (len(block),) + (1,) * (point_m.ndim - 2)
    cos, sin = np.cos(turn).reshape(own), np.sin(turn).reshape(own)
    x = point_m[..., 0] - BLOCK_LENGTH_M / 2.0
    y = point_m[..., 1] - BLOCK_DEPTH_M / 2.0
    centre = (np.stack((column, row), axis=-1) + 0.5) * CELL_M + np.array(ORIGIN_M)
    east, north = centre[:, 0].reshape(own), centre[:, 1].reshape(own)
    return np.stack((cos * x - sin * y + east, sin * x + cos * y + north), axis=-1)


def street_polygons(block: Ints) -> NDArray[np.object_]:
    """The street around every block: the cell of the lattice less the block."""
    length, depth = BLOCK_LENGTH_M, BLOCK_DEPTH_M
    outline = np.array(((0.0, 0.0), (length, 0.0), (length, depth), (0.0, depth)))
    blocks = np.round(_on_ground(np.broadcast_to(outline, (len(block), 4, 2)), block), 3)
    low = np.stack(block_place(block), axis=-1) * CELL_M + np.array(ORIGIN_M)
    cells = shapely.box(*low.T, *(low + CELL_M).T)
    return np.asarray(shapely.difference(cells, shapely.polygons(blocks)), dtype=object)


def lawns_and_paving(lots: Lots, rng: np.random.Generator) -> tuple[Areas, Areas]:
    """Lawns of the lots in the order of the lots, and their buildings and paving (kind: `PAVED`).

    A house has its drive on one side and often a strip of lawn on the other, lawn on both sides of
    the walk to the door, and most of its turf behind.
    """
    n = len(lots.number)
    w, d, house = lots.width_m, lots.depth_m, ~lots.is_park
    side = rng.uniform(1.3, 2.6, n)
    left, right = 3.6 + rng.uniform(0.2, 0.8, n), w - side
    front = rng.uniform(7.5, 10.0, n)
    rear = front + rng.uniform(9.0, 12.5, n)
    door = left + rng.uniform(0.35, 0.65, n) * (right - left)
    zero = np.zeros(n)
    end = d - rng.uniform(0.8, 3.5, n)
    bed = rng.uniform(0.0, 6.0, n)
    has_front, has_back = rng.random(n) > 0.2, rng.random(n) > 0.06
    has_back |= ~has_front
    lawns = [
        (FRONT, house & has_front, (zero + 3.6, zero + 3.5, door - 0.3, front - 0.8)),
        (FRONT, house & has_front, (door + 1.5, zero + 3.5, w - 0.5, front - 0.8)),
        # Verges belong to some blocks, strips to lots that have room for them.
        (VERGE, house & (lots.block % 7 == 1), (zero + 3.6, zero + 0.3, w - 0.4, zero + 1.8)),
        (SIDE, house & (side > 2.15), (right + 0.2, front, w - 0.3, rear)),
        (BACK, house & has_back, (0.6 + bed / 6.0, rear + 3.4, w - 0.6 - bed, end)),
    ]
    for part in range(PARK_LAWNS):
        first = 2.0 + part * (w - 2.0) / PARK_LAWNS
        last = first + (w - 2.0) / PARK_LAWNS - 2.5
        lawns.append((PARK, lots.is_park, (first, zero + 4.0, last, d - 3.0)))
    paving = [
        (0, house, (left, front, right, rear)),
        (1, house, (zero + 0.3, zero + 3.2, zero + 3.3, rear)),
        (2, house, (door, zero + 3.2, door + 1.2, front)),
        (3, house, (left, rear, left + 0.6 * (right - left), rear + 3.0)),
        (4, house | lots.is_park, (zero, zero + 2.0, w, zero + 3.2)),
    ]
    is_flipped = rng.random(n) < 0.5
    areas = _areas(lawns, w, is_flipped)
    m = len(areas.lot)
    draw = rng.random(m)
    is_back = areas.kind == BACK
    shape = np.where(is_back & (draw < 0.25), ELL, np.where(is_back & (draw < 0.45), CHAMFER, QUAD))
    areas = Areas(
        lot=areas.lot,
        kind=areas.kind,
        rectangle_m=areas.rectangle_m,
        shape=shape,
        cut=rng.uniform(0.3, 0.45, (m, 2)),
        is_mirrored=rng.random((m, 2)) < 0.5,
    )
    return areas, _areas(paving, w, is_flipped)


def _areas(
    parts: list[tuple[int, Bools, tuple[Floats, ...]]], width_m: Floats, is_flipped: Bools
) -> Areas:
    """Plain rectangles of the lots that have each part, in the order of the lots."""
    lot = np.concatenate([np.flatnonzero(has) for _, has, _ in parts])
    kind = np.repeat([kind for kind, _, _ in parts], [np.count_nonzero(h) for _, h, _ in parts])
    box = np.concatenate([np.stack(sides, axis=-1)[has] for _, has, sides in parts])
    order = np.argsort(lot, kind="stable")
    lot, kind, box = lot[order], kind[order], box[order]
    turned = np.stack(
        (width_m[lot] - box[:, 2], box[:, 1], width_m[lot] - box[:, 0], box[:, 3]), axis=-1
    )
    m = len(lot)
    return Areas(
        lot=lot,
        kind=kind.astype(np.int64),
        rectangle_m=np.where(is_flipped[lot][:, np.newaxis], turned, box),
        shape=np.full(m, QUAD),
        cut=np.zeros((m, 2)),
        is_mirrored=np.zeros((m, 2), dtype=bool),
    )


def on_lot(lots: Lots, lot: Ints, a_m: Floats, b_m: Floats) -> Floats:
    """Places a and b in lots on the map; ``lot`` is broadcast from the left."""
    own = lot.reshape(lot.shape + (1,) * (a_m.ndim - lot.ndim))
    u = (a_m / lots.width_m[own])[..., np.newaxis]
    v = (b_m / lots.depth_m[own])[..., np.newaxis]
    c = lots.corner_m[own]
    near = (1.0 - u) * c[..., 0, :] + u * c[..., 3, :]
    far = (1.0 - u) * c[..., 1, :] + u * c[..., 2, :]
    return np.asarray((1.0 - v) * near + v * far)


def outlines(areas: Areas, lots: Lots) -> Rings:
    """Corners of areas on the map."""
    start = np.concatenate(([0], np.cumsum(_CORNERS_OF_SHAPE[areas.shape])))
    corner = np.empty((start[-1], 2))
    for shape, n_corners in enumerate(_CORNERS_OF_SHAPE):
        rows = np.flatnonzero(areas.shape == shape)
        p, q = areas.cut[rows].T
        zero, one = np.zeros_like(p), np.ones_like(p)
        end = {
            QUAD: [(one, one)],
            ELL: [(one - p, one), (one - p, one - q), (one, one - q)],
            CHAMFER: [(one - p, one), (one, one - q)],
        }[shape]
        ring = [(zero, zero), (zero, one), *end, (one, zero)]
        st = np.stack([np.stack(point, axis=-1) for point in ring], axis=1)
        mirrored = areas.is_mirrored[rows]
        st = np.where(mirrored[:, np.newaxis, :], 1.0 - st, st)
        is_reversed = mirrored[:, 0] != mirrored[:, 1]
        st = np.where(is_reversed[:, np.newaxis, np.newaxis], st[:, ::-1], st)
        corner[start[rows][:, np.newaxis] + np.arange(n_corners)] = laid(areas, lots, rows, st)
    return Rings(corner_m=np.round(corner, 3), start=start)


def laid(areas: Areas, lots: Lots, rows: Ints, st: Floats) -> Floats:
    """Points at shares of the sides of areas, shape (n_rows, …, 2), on the map."""
    own = (len(rows),) + (1,) * (st.ndim - 2)
    a0, b0, a1, b1 = (side.reshape(own) for side in areas.rectangle_m[rows].T)
    a_m, b_m = a0 + st[..., 0] * (a1 - a0), b0 + st[..., 1] * (b1 - b0)
    return on_lot(lots, areas.lot[rows], a_m, b_m)


def polygons(rings: Rings, bulge_m: Floats | None = None) -> NDArray[np.object_]:
    """Rings as polygons; with a bulge every edge swells outward by that much in its middle."""
    corner, start = rings.corner_m, rings.start
    if bulge_m is not None:
        way = corner[rings.following] - corner
        outward = np.stack((-way[:, 1], way[:, 0]), axis=-1) / _length(way)[:, np.newaxis]
        share = np.array((0.0, 0.25, 0.5, 0.75))[:, np.newaxis]
        swell = np.array((0.0, 0.75, 1.0, 0.75))[:, np.newaxis]
        out = swell * (bulge_m[rings.ring, np.newaxis] * outward)[:, np.newaxis]
        corner = np.round(corner[:, np.newaxis] + share * way[:, np.newaxis] + out, 3)
        corner, start = corner.reshape(-1, 2), 4 * start
    n = np.diff(start)
    closed = start + np.arange(len(start))
    row = np.arange(closed[-1]) - np.repeat(closed[:-1], n + 1)
    source = np.repeat(start[:-1], n + 1) + row % np.repeat(n, n + 1)
    drawn = shapely.from_ragged_array(
        shapely.GeometryType.POLYGON, corner[source], (closed, np.arange(len(start)))
    )
    return np.asarray(shapely.orient_polygons(drawn), dtype=object)


def _length(vector: Floats) -> Floats:
    return np.hypot(vector[..., 0], vector[..., 1])
