"""Surfaces as a page holds them: a picture in classes, and the values for reading off."""

from __future__ import annotations

import base64
import math
import struct
import zlib
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.records import ResultRaster
from geoirrig.symbology import ClassScale
from geoirrig.units import UnitSystem, in_unit_system

MOST_CELLS = 300_000  # of a surface, unless it says otherwise; more are thinned out
MOST_CELLS_IN_ALL = 2_400_000  # of a page
NO_VALUE = 65_535
_MOST_STEPS = 10_000  # values are rounded so that the largest has at most four figures


def thinning(n_rows: int, n_cols: int, *, at_most: int = MOST_CELLS) -> int:
    """Side of the block of cells that one cell of the page stands for."""
    return max(1, math.ceil(math.sqrt(n_rows * n_cols / at_most)))


def thinned(raster: ResultRaster, step: int) -> NDArray[Any]:
    """Middle cell of every block, NaN where there is no value."""
    values = np.asarray(raster.values[step // 2 :: step, step // 2 :: step], dtype=np.float32)
    return np.where(values == np.float32(raster.nodata), np.float32(np.nan), values)


def class_picture(values: NDArray[Any], scale: ClassScale, units: UnitSystem) -> str:
    """PNG of the classes as a ``data:`` address; cells without a value are clear."""
    colours = [tuple(bytes.fromhex(colour[1:])) for colour in scale.colours]
    index = scale.class_index(values, units)
    return data_address(indexed_png(index, [*colours, (255, 255, 255)]))


def indexed_png(index: NDArray[np.uint8], colours: Sequence[tuple[int, ...]]) -> bytes:
    """PNG of a palette, whose last colour is clear (Portable Network Graphics, 3rd edition, W3C).

    Parameters
    ----------
    index : ndarray of uint8, shape (n_rows, n_cols)
        Number of each cell's colour.
    colours : sequence of tuple of int
        Red, green and blue, at most 256 of them.
    """
    n_rows, n_cols = index.shape
    lines = np.zeros((n_rows, n_cols + 1), dtype=np.uint8)  # each begins with its filter, none
    lines[:, 1:] = index
    palette = bytes(part for colour in colours for part in colour)
    opacity = bytes([255] * (len(colours) - 1) + [0])
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        _chunk(name, content)
        for name, content in (
            (b"IHDR", struct.pack(">IIBBBBB", n_cols, n_rows, 8, 3, 0, 0, 0)),
            (b"PLTE", palette),
            (b"tRNS", opacity),
            (b"IDAT", zlib.compress(lines.tobytes(), 9)),
            (b"IEND", b""),
        )
    )


def _chunk(name: bytes, content: bytes) -> bytes:
    check = zlib.crc32(name + content)
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", check)


def data_address(png: bytes) -> str:
    """A picture as a ``data:`` address."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")


def packed_values(values_si: NDArray[Any], column: str, units: UnitSystem) -> dict[str, Any]:
    """Values rounded to steps of a power of ten, as packed whole numbers.

    Returns
    -------
    dict
        ``decimals``: a whole number times 10 to the power of minus this is a value in the chosen
        units; ``deflated``: the numbers row by row as little-endian 16-bit, by zlib, in base 64;
        `NO_VALUE` is no value.
    """
    values = np.asarray(in_unit_system(column, values_si, units)[1], dtype=np.float64)
    largest = float(np.nanmax(values, initial=0.0, where=np.isfinite(values)))
    decimals = 0
    if largest > 0.0:
        decimals = min(6, math.floor(math.log10(_MOST_STEPS) - math.log10(largest) + 1e-9))
    steps = np.rint(values * 10.0**decimals)
    whole = np.where(np.isfinite(steps), np.clip(steps, 0, NO_VALUE - 1), NO_VALUE)
    packed = zlib.compress(whole.astype("<u2").tobytes(), 9)
    return {"decimals": decimals, "deflated": base64.b64encode(packed).decode("ascii")}
