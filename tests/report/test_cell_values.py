from __future__ import annotations

import base64
import io
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.image import imread

from geoirrig.records import ResultRaster
from geoirrig.report.cell_values import (
    MOST_CELLS,
    NO_VALUE,
    class_picture,
    indexed_png,
    packed_values,
    thinned,
    thinning,
)
from geoirrig.symbology import SCALES


def unpacked(packed: dict, shape: tuple[int, ...]) -> np.ndarray:
    steps = np.frombuffer(zlib.decompress(base64.b64decode(packed["deflated"])), "<u2")
    values = steps / 10.0 ** packed["decimals"]
    return np.where(steps == NO_VALUE, np.nan, values).reshape(shape)


def test_indexed_png_reads_back_in_another_reader():
    index = np.array([[0, 1, 2], [2, 1, 0]], dtype=np.uint8)
    pixels = imread(io.BytesIO(indexed_png(index, [(255, 0, 0), (0, 0, 255), (255, 255, 255)])))
    assert pixels.shape == (2, 3, 4)
    assert (np.rint(255 * pixels[0, :2])).tolist() == [[255, 0, 0, 255], [0, 0, 255, 255]]
    assert pixels[1, 0, 3] == 0.0  # the last colour is clear


def test_class_picture_has_the_colours_of_the_legend():
    scale = SCALES["precipitation_rate_mm_h"]
    values = np.array([[0.0, 12.0, np.nan]], dtype=np.float32)  # no water; 10 to 15; no value
    png = base64.b64decode(
        class_picture(values, scale, "si").removeprefix("data:image/png;base64,")
    )
    pixels = np.rint(255 * imread(io.BytesIO(png))).astype(int)
    assert "#" + bytes(pixels[0, 0, :3].tolist()).hex() == scale.colours[0]
    assert "#" + bytes(pixels[0, 1, :3].tolist()).hex() == scale.colours[4]
    assert pixels[0, 2, 3] == 0


def test_packed_values_in_us_units():
    values = np.array([[25.4, np.nan]])  # 1 in/h
    packed = packed_values(values, "precipitation_rate_mm_h", "us")
    assert unpacked(packed, (2,)) == pytest.approx([1.0, np.nan], abs=1e-4, nan_ok=True)


@given(
    st.lists(st.floats(0.0, 1e4) | st.just(float("nan")), min_size=1, max_size=30),
)
def test_packed_values_read_back_to_a_thousandth_of_the_largest(values):
    packed = packed_values(np.array(values), "slope_pct", "si")
    largest = np.nanmax([*values, 0.0])
    # A step is at most a thousandth of the largest value, and rounding half of it; the smallest
    # step there is, 1e-6, counts for values near zero.
    np.testing.assert_allclose(
        unpacked(packed, (len(values),)), values, atol=max(0.5e-3 * largest, 0.5e-6) * 1.0001
    )


def test_thinning_keeps_the_page_small():
    step = thinning(3000, 4000)
    assert (3000 // step) * (4000 // step) <= MOST_CELLS
    assert thinning(300, 400) == 1


def test_thinned_takes_the_middle_cell_and_drops_no_data():
    values = np.arange(9, dtype=np.uint8).reshape(3, 3)
    raster = ResultRaster(name="heads_reaching", description="", unit="1", values=values, nodata=8)
    assert thinned(raster, 3).tolist() == [[4.0]]
    assert np.isnan(thinned(raster, 1)[2, 2])
