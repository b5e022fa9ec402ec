"""Parcels that overlap and outlines that are plainly valid: the same as shapely alone tells."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.city_records import CityParcels, packed_bytes
from geoirrig.grid.point_location import polygon_index
from geoirrig.grid.polygon_rings import polygon_rings
from geoirrig.io.city_parcels import OVERLAP_SHARE, PlacedParcels, note_overlaps
from geoirrig.io.parcel_faults import ParcelFaults


def told(outlines: list[shapely.Geometry | None]) -> dict[int, list[str]]:
    geometry = np.array(outlines, dtype=object)
    n = len(geometry)
    records = CityParcels(
        parcel_id=np.array([f"P{k}" for k in range(n)], dtype=object),
        wkb=packed_bytes(np.asarray(shapely.to_wkb(geometry), dtype=object)),
        area_m2=np.asarray(shapely.area(geometry)),
        centre_m=np.zeros((n, 2)),
        attributes={},
    )
    faults = ParcelFaults()
    parcels = PlacedParcels(records=records, index=polygon_index(polygon_rings(geometry)))
    note_overlaps(parcels, faults)
    return faults.reasons


def expected(outlines: list[shapely.Geometry | None]) -> dict[int, set[str]]:
    """Pair by pair, whatever it takes."""
    reasons: dict[int, set[str]] = {}
    for first, a in enumerate(outlines):
        for second, b in enumerate(outlines[:first]):
            if a is None or b is None:
                continue
            shared, smaller = a.intersection(b).area, min(a.area, b.area)
            if shared > OVERLAP_SHARE * smaller:
                for own, other in ((first, second), (second, first)):
                    reasons.setdefault(own, set()).add(
                        f"The parcel overlaps parcel 'P{other}' by {shared:,.1f} m² "
                        f"({100 * shared / smaller:.0f} % of the smaller one). Correct the "
                        "parcels layer."
                    )
    return reasons


def test_note_overlaps_each_pair_is_told_to_both() -> None:
    """Lots 20 m by 30 m; the second stands 1 m in the first, the third in a hole of the last."""
    court = shapely.box(38, 0, 80, 30).difference(shapely.box(50, 5, 60, 15))
    outlines = [
        shapely.box(0, 0, 20, 30),
        shapely.box(19, 0, 38, 30),
        shapely.box(50, 5, 60, 15),
        court,
    ]
    assert told(outlines) == {
        own: [
            f"The parcel overlaps parcel 'P{other}' by 30.0 m² (5 % of the smaller one). Correct "
            "the parcels layer."
        ]
        for own, other in ((0, 1), (1, 0))
    }


@pytest.mark.parametrize("shift_m", [0.09, 0.11])
def test_note_overlaps_a_strip_just_below_and_above_a_hundredth(shift_m: float) -> None:
    """Of squares of 10 m: a strip 0.1 m wide, beside a line that leans as little as it may."""
    left = shapely.Polygon([(0, 0), (10, 0), (10.0, 10), (0, 10)])
    right = shapely.Polygon([(10, 0), (20, 0), (20, 10), (10, 10)])
    for turn_deg in (0.0, 1.0, 45.0):
        outlines = [
            shapely.affinity.rotate(g, turn_deg, origin=(0, 0))
            for g in (left, shapely.affinity.translate(right, -shift_m, 0.0))
        ]
        assert set(told(outlines)) == ({0, 1} if shift_m > 0.1 else set())


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from([0.0, 1e-9, 1e-4, 0.03, 0.3, 2.0]),
    st.sampled_from([0.0, 0.5, 4.0]),
    st.sampled_from([(0.0, 0.0), (420_000.0, 4_610_000.0)]),
)
def test_note_overlaps_the_same_as_pair_by_pair(
    seed: int, noise_m: float, bend_m: float, place_m: tuple[float, float]
) -> None:
    """Lots with bent sides in common, drawn with noise; some with a hole, in parts or missing."""
    rng = np.random.default_rng(seed)
    n = 5
    node = np.stack(np.meshgrid(np.arange(n) * 20.0, np.arange(n) * 30.0), axis=-1)
    node += rng.uniform(-3.0, 3.0, node.shape)
    bend = rng.normal(0.0, bend_m, (n, n, 2, 2))
    outlines: list[shapely.Geometry | None] = []
    for j, i in np.ndindex(n - 1, n - 1):
        a, b, c, d = node[j, i], node[j, i + 1], node[j + 1, i + 1], node[j + 1, i]
        sides = (bend[j, i, 0], bend[j, i + 1, 1], bend[j + 1, i, 0], bend[j, i, 1])
        middles = [
            (p + q) / 2 + s
            for (p, q), s in zip([(a, b), (b, c), (c, d), (d, a)], sides, strict=True)
        ]
        ring = [a, middles[0], b, middles[1], c, middles[2], d, middles[3]]
        ring = ring if bend_m else ring[::2]
        corner = np.array(ring) + rng.normal(0.0, noise_m, (len(ring), 2))
        outline = shapely.affinity.rotate(shapely.Polygon(corner), float(seed % 90), origin=(0, 0))
        outline = shapely.affinity.translate(outline, *place_m).buffer(0.0)
        kind = rng.integers(8)
        if kind == 0:
            outline = outline.difference(outline.centroid.buffer(2.0))
        elif kind == 1:
            outline = outline.union(shapely.affinity.translate(outline.centroid.buffer(3.0), 25.0))
        outlines.append(None if kind == 2 or outline.is_empty else outline)
    assert {own: set(reasons) for own, reasons in told(outlines).items()} == expected(outlines)
