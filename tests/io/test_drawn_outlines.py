"""Outlines as bytes and rings are what is drawn."""

from __future__ import annotations

import dataclasses
import struct
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
import shapely

from geoirrig.io.drawn_outlines import drawn_outlines
from tests.io.bulk_layers import SQUARE, TWO_PARTS, polygons_layer


def test_drawn_outlines_are_the_bytes_of_the_layer(tmp_path: Path) -> None:
    layer = polygons_layer([SQUARE, TWO_PARTS], tmp_path / "flat.gpkg")
    found = drawn_outlines(layer)
    assert np.shares_memory(found.wkb.data, np.frombuffer(layer.wkb.buffers()[2], np.uint8))
    assert found.rings.polygon_ring.tolist() == [0, 1, 3]
    assert shapely.equals(found.geometry(np.arange(2)), [SQUARE, TWO_PARTS]).all()


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        (None, None),
        (shapely.Point(0.0, 0.0), None),
        (shapely.GeometryCollection([SQUARE]), None),
        (shapely.force_3d(TWO_PARTS, 5.0), TWO_PARTS),
        (shapely.Polygon(), shapely.Polygon()),
    ],
    ids=["missing", "point", "collection", "heights", "empty"],
)
def test_drawn_outlines_something_else_among_them(
    tmp_path: Path, other: shapely.Geometry | None, expected: shapely.Geometry | None
) -> None:
    layer = polygons_layer([SQUARE, other, TWO_PARTS], tmp_path / "other.gpkg")
    found = drawn_outlines(layer)
    n_rings = 0 if expected is None else len(shapely.get_rings(shapely.get_parts(expected)))
    assert np.diff(found.rings.polygon_ring).tolist() == [1, n_rings, 2]
    first, second, third = found.geometry(np.arange(3))
    assert shapely.equals([first, third], [SQUARE, TWO_PARTS]).all()
    assert (second is None) == (expected is None)
    assert second is None or shapely.equals(second, expected)


UNCLOSED = (
    struct.pack("<BIII", 1, 3, 1, 4) + np.array([(0, 0), (0, 60), (20, 60), (20, 0.0)]).tobytes()
)


@pytest.mark.parametrize(
    ("row", "n_rings"),
    [
        (shapely.to_wkb(shapely.from_wkt("POLYGON M ((0 0 7, 1 0 7, 1 1 7, 0 0 7))")), 1),
        (shapely.to_wkb(shapely.from_wkt("POLYGON ZM ((0 0 7 8, 1 0 7 8, 1 1 7 8, 0 0 7 8))")), 1),
        (shapely.to_wkb(SQUARE, byte_order=0), 1),
        (UNCLOSED, 0),
        (b"no geometry", 0),
    ],
    ids=["measures", "heights and measures", "highest byte first", "unclosed", "broken"],
)
def test_drawn_outlines_of_bytes_that_are_not_plain(
    tmp_path: Path, row: bytes, n_rings: int
) -> None:
    plain = polygons_layer([SQUARE, SQUARE], tmp_path / "plain.gpkg")
    layer = dataclasses.replace(plain, wkb=pa.array([shapely.to_wkb(SQUARE), row], pa.binary()))
    found = drawn_outlines(layer)
    assert np.diff(found.rings.polygon_ring).tolist() == [1, n_rings]
    assert shapely.get_coordinate_dimension(found.geometry(np.arange(1 + n_rings))).max() == 2
    assert shapely.equals(found.geometry(np.arange(1)), SQUARE).all()
