"""A result layer as GeoParquet 1.1, without a step per row."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from types import NoneType
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq
import pyproj
from numpy.typing import NDArray

from geoirrig.city_records import PackedBytes
from geoirrig.records import ObjectArray, WorkingPlane

_VERSION = "1.1.0"
_GEOMETRY = "geometry"


def arrow_table(columns: Mapping[str, NDArray[Any]]) -> Any:
    """Columns as an Arrow table: NaN, None and infinity become null."""
    return pa.table({name: _array(values) for name, values in columns.items()})


def arrow_bytes(rows: PackedBytes) -> Any:
    """The bytes of rows as an Arrow array, without a copy; null where a row has none."""
    is_there = np.packbits(np.diff(rows.start) > 0, bitorder="little")
    parts = [pa.py_buffer(part) for part in (is_there, rows.start, rows.data)]
    return pa.Array.from_buffers(pa.large_binary(), len(rows.start) - 1, parts).cast(pa.binary())


def write_geoparquet(
    path: Path, table: Any, wkb: ObjectArray | Any, plane: WorkingPlane, geometry_types: list[str]
) -> None:
    """Write an Arrow table with its geometry.

    Parameters
    ----------
    path : Path
        File to write.
    table : pyarrow.Table
        The columns, without geometry.
    wkb : ndarray of bytes, or pyarrow.Array of binary, shape (n_rows,)
        Well-known binary in map units; None where there is none.
    plane : WorkingPlane
        Its CRS.
    geometry_types : list of str
        Kinds that occur: "Polygon", "MultiPolygon".
    """
    name = _GEOMETRY
    while name in table.column_names:
        name += "_1"
    spatial = {
        "version": _VERSION,
        "primary_column": name,
        "columns": {
            name: {
                "encoding": "WKB",
                "geometry_types": geometry_types,
                "crs": pyproj.CRS.from_wkt(plane.crs_wkt).to_json_dict(),
            }
        },
    }
    whole = table.append_column(name, pa.array(wkb, pa.binary()))
    whole = whole.replace_schema_metadata({b"geo": json.dumps(spatial).encode()})
    # Measures and outlines hardly repeat: to look for it takes long, and the file gets no smaller.
    texts = [field.name for field in table.schema if pa.types.is_string(field.type)]
    pq.write_table(whole, path, compression="zstd", use_dictionary=texts)


def write_csv_in_bulk(path: Path, table: Any) -> None:
    """Write an Arrow table as CSV (RFC 4180, UTF-8): missing values empty, numbers in full."""
    in_words = table
    for place, field in enumerate(table.schema):
        if pa.types.is_boolean(field.type):
            words = pc.if_else(table.column(place), "True", "False")
            in_words = in_words.set_column(place, field.name, words)
    options = pyarrow.csv.WriteOptions(quoting_style="needed")
    pyarrow.csv.write_csv(in_words, path, write_options=options)


def _array(values: NDArray[Any]) -> Any:
    if values.dtype.kind == "f":
        return pa.array(values, mask=~np.isfinite(values))
    if values.dtype.kind != "O":
        return pa.array(values)
    items = values.tolist()
    kinds = {*map(type, items)} - {NoneType}
    if not kinds <= {str, int, bool}:  # others may be NaN
        items = [None if v is None or v != v else v for v in items]
        kinds = {*map(type, items)} - {NoneType}
    if len(kinds) > 1 or not kinds <= {str, int, float, bool}:
        items = [None if v is None else str(v) for v in items]
    return pa.array(items, pa.string() if not kinds else None)
