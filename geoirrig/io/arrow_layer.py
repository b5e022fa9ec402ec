"""Layers of millions of rows as Arrow tables, read in bulk and turned into arrays on demand.

The columns of an `ArrowLayer` behave as those of `geoirrig.io.open_layer.LayerTable`, so that the
checks of `geoirrig.io.column_values` hold for both. Text and outlines stay in Arrow's compact form
until they are asked for: see `geoirrig.io.coded_text` and `geoirrig.io.drawn_outlines`.
"""

from __future__ import annotations

import json
import os
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import pyproj
import shapely
from numpy.typing import NDArray

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.io.columns import UNKNOWN_COLUMNS_AT_MOST, LayerSchema, listed
from geoirrig.io.file_formats import CSV, DXF, GEOPARQUET, SHAPEFILE, vector_format
from geoirrig.io.open_layer import LayerTable, read_layer, stated_crs
from geoirrig.processors import processor_count, threads_beside
from geoirrig.records import ObjectArray
from geoirrig.units import FloatArray

_READ_ERRORS = (RuntimeError, ValueError, OSError, LookupError, TypeError)
_POINT_WKB_BYTES = 21  # byte order, type, x, y
_POINT_Z_WKB_BYTES = 29
_LITTLE_ENDIAN = 1
_CURVED_KINDS = (7, 8, 9, 10, 11, 12)  # collections, arcs, and what is made of them
_KINDS_WITH_HEIGHT = 1000  # more than without
_POINT_KINDS = (1, 1001)  # with two coordinates and with three
_POINT_WKB: dict[str, Any] = {  # the parts of a point that are looked at
    "names": ["order", "kind", "x", "y"],
    "formats": ["u1", "<u4", "<f8", "<f8"],
    "offsets": [0, 1, 5, 13],
}
_LEAST_ROW_BYTES = 4  # in any file: no more rows are believed before they are seen
_MOST_READING_THREADS = 4  # of one table: more do not help, says the reading library
_DEGREES = "OGC:CRS84"  # GeoParquet 1.1: of a column that states no CRS


@dataclass(frozen=True, slots=True)
class ArrowColumns(Mapping[str, NDArray[Any]]):
    """Columns of an Arrow table as arrays, made when they are asked for."""

    table: Any  # pyarrow.Table

    def __getitem__(self, name: str) -> NDArray[Any]:
        """Values of a column; missing numbers are NaN, missing text None."""
        if name not in self.table.column_names:
            raise KeyError(name)
        column = self.table.column(name)
        if pa.types.is_dictionary(column.type):
            column = column.cast(column.type.value_type)
        if pa.types.is_floating(column.type) or pa.types.is_decimal(column.type):
            return np.asarray(
                column.cast(pa.float64()).to_numpy(zero_copy_only=False), dtype=np.float64
            )
        return np.asarray(column.to_numpy(zero_copy_only=False))

    def __contains__(self, name: object) -> bool:
        """Whether there is such a column, without making it."""
        return name in self.table.column_names

    def __iter__(self) -> Iterator[str]:
        """Names of the columns."""
        return iter(self.table.column_names)

    def __len__(self) -> int:
        """Number of columns."""
        return int(self.table.num_columns)


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrowLayer:
    """A layer in bulk.

    Attributes
    ----------
    table : LayerTable
        The same layer for the checks of columns: columns on demand, without geometry.
    arrow : pyarrow.Table
        The columns.
    wkb : pyarrow array of binary or None
        Geometry as well-known binary, outlines in one piece; None for an attribute table.
    """

    table: LayerTable
    arrow: Any
    wkb: Any

    @property
    def n_rows(self) -> int:
        """Number of rows."""
        return self.table.n_rows

    def rows(self, rows: NDArray[np.int64]) -> LayerTable:
        """Some rows as an ordinary table, geometry included."""
        part = self.arrow.take(pa.array(rows))
        columns = ArrowColumns(part)
        return LayerTable(
            schema=self.table.schema,
            place=self.table.place,
            feature=self.table.feature[rows],
            columns={name: columns[name] for name in columns},
            geometry=None if self.wkb is None else _geometry(self.wkb.take(pa.array(rows))),
            crs=self.table.crs,
        )

    def geometry(self) -> ObjectArray:
        """All geometries, of two coordinates; None where missing or broken."""
        return _geometry(self.wkb)


def read_arrow_layer(
    path: Path,
    layer: str,
    schema: LayerSchema,
    problems: ProblemList,
    *,
    carry_others: bool = False,
) -> ArrowLayer | None:
    """A layer in bulk; None, with the problem noted, where it cannot be read.

    Parameters
    ----------
    path : Path
        File to read.
    layer : str
        Name of the layer in it.
    schema : LayerSchema
        Columns with a meaning.
    problems : ProblemList
        Takes problems and warnings.
    carry_others : bool
        Whether columns without a meaning are read too.
    """
    carried = frozenset([schema.layer]) if carry_others else frozenset()
    return read_arrow_layers([(path, layer, schema)], problems, carried=carried)[0]


def read_arrow_layers(
    places: Sequence[tuple[Path, str, LayerSchema]],
    problems: ProblemList,
    *,
    carried: frozenset[str] = frozenset(),
) -> list[ArrowLayer | None]:
    """Several layers in bulk, at the same time: each as `read_arrow_layer` reads it.

    Parameters
    ----------
    places : sequence of (Path, str, LayerSchema)
        File, layer and schema of each.
    problems : ProblemList
        Takes problems and warnings, layer after layer.
    carried : frozenset of str
        Names of the schemas whose columns without a meaning are read too.
    """

    def read(place: tuple[Path, str, LayerSchema]) -> tuple[ArrowLayer | None, ProblemList]:
        own = ProblemList()
        return _read_quickly(*place, own, carry_others=place[2].layer in carried), own

    # What the reading libraries warn of is for the careful reader to tell. The filter is that of
    # the whole program, as are the library's options: they are set here, around all threads.
    threads = min(_MOST_READING_THREADS, processor_count())
    with warnings.catch_warnings(), threads_beside(2) as pool:
        warnings.simplefilter("error")
        # GDAL's own: raised where nobody catches them, or, in other threads, printed.
        warnings.simplefilter("ignore", RuntimeWarning)
        pyogrio.set_gdal_config_options({"OGR_GPKG_NUM_THREADS": threads, "CPL_LOG": os.devnull})
        try:
            quick = list(pool.map(read, places))
        finally:
            pyogrio.set_gdal_config_options({"OGR_GPKG_NUM_THREADS": None, "CPL_LOG": None})
    layers = []
    for place, (layer, own) in zip(places, quick, strict=True):
        problems.take(own)
        # The careful reader finds out what is wrong and where.
        layers.append(_of_table(read_layer(*place, problems)) if layer is None else layer)
    return layers


def bytes_of(array: Any) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Bytes of texts or binaries in an Arrow array, and where each begins; at last, their end."""
    _, offsets, data = array.buffers()
    is_wide = pa.types.is_large_string(array.type) or pa.types.is_large_binary(array.type)
    kind = np.int64 if is_wide else np.int32
    places = np.frombuffer(offsets, dtype=kind)[array.offset : array.offset + len(array) + 1]
    raw = np.empty(0, np.uint8) if data is None else np.frombuffer(data, dtype=np.uint8)
    return raw, places.astype(np.int64)


def chunks_of(column: Any) -> list[Any]:
    """The arrays with rows that a column is made of."""
    chunks = column.chunks if isinstance(column, pa.ChunkedArray) else [column]
    return [chunk for chunk in chunks if len(chunk)]


def point_coordinates_of(layer: ArrowLayer) -> FloatArray:
    """Coordinates of points, (n_rows, 2); NaN where there is none or something else is drawn."""
    coordinates = _points_in_step(layer.wkb)
    if coordinates is not None:
        return coordinates
    geometry = _geometry(layer.wkb)
    coordinates = np.full((len(geometry), 2), np.nan)
    count = np.where(
        np.isin(shapely.get_type_id(geometry), (0, 4)), shapely.get_num_coordinates(geometry), 0
    )
    coordinates[count == 1] = shapely.get_coordinates(geometry[count == 1])
    return coordinates


# --- files ---------------------------------------------------------------------------------------


def _read_quickly(
    path: Path, layer: str, schema: LayerSchema, problems: ProblemList, *, carry_others: bool
) -> ArrowLayer | None:
    """A layer in bulk; None where that cannot be done, or not without a warning."""
    try:
        file_format = vector_format(path)
        if file_format in (CSV, DXF, SHAPEFILE):  # with rules of their own, and never a city
            return None
        if file_format is GEOPARQUET:
            return _read_parquet(path, schema, problems, carry_others=carry_others)
        return _read_ogr(path, layer, schema, problems, carry_others=carry_others)
    except (*_READ_ERRORS, GeoirrigError, Warning, pa.ArrowException):
        return None


def _read_ogr(
    path: Path, layer: str, schema: LayerSchema, problems: ProblemList, *, carry_others: bool
) -> ArrowLayer:
    info = pyogrio.read_info(path, layer=layer)
    names = _columns_to_read([str(n) for n in info["fields"]], schema, carry_others)
    most_rows = path.stat().st_size // _LEAST_ROW_BYTES
    with pyogrio.raw.open_arrow(
        path, layer=layer, columns=names, read_geometry=bool(schema.geometry), use_pyarrow=True
    ) as (meta, batches):
        table = _copied(batches, min(max(0, info["features"]), most_rows))
    place = f"layer {layer!r} of {path.name!r}"
    geometry_name = meta["geometry_name"] or "wkb_geometry"
    wkb = None
    if schema.geometry:
        wkb = _without_curves(schema, table.column(geometry_name))
        table = table.drop_columns([geometry_name])
    crs = stated_crs(meta["crs"], place, "", problems) if schema.geometry else None
    return _layer(schema, place, table, wkb, crs)


def _copied(batches: Any, n_told: int) -> Any:
    """All batches as one table, measures in one piece and NaN where missing, as arrays want them.

    A batch is one piece of memory, and whatever is left of it keeps all of it. Where its columns
    are copied, while they are at hand, the next batch takes the same piece. ``n_told`` is the
    number of rows that the file tells of.
    """
    schema, end = batches.schema, 0
    measures = {f.name: np.empty(n_told) for f in schema if pa.types.is_floating(f.type)}
    others: dict[str, list[Any]] = {name: [] for name in schema.names if name not in measures}
    for batch in batches:
        batch.validate(full=True)  # text may be of other bytes than UTF-8
        start, end = end, end + len(batch)
        for name, column in zip(schema.names, batch.columns, strict=True):
            if name in others:
                others[name].append(pa.concat_arrays([column]))
                continue
            if end > len(measures[name]):
                measures[name] = np.append(measures[name], np.empty(end))
            measures[name][start:end] = column.to_numpy(zero_copy_only=False)
    return pa.table(
        {
            f.name: (
                pa.array(measures[f.name][:end])
                if f.name in measures
                else pa.chunked_array(others[f.name], f.type)
            )
            for f in schema
        }
    )


def _read_parquet(
    path: Path, schema: LayerSchema, problems: ProblemList, *, carry_others: bool
) -> ArrowLayer:
    stored = pq.read_schema(path)
    spatial = json.loads((stored.metadata or {}).get(b"geo", b"{}"))
    columns = spatial.get("columns", {})
    place = repr(path.name)
    nested = [
        field.name
        for field in stored
        if field.name not in columns and pa.types.is_nested(field.type)
    ]
    if nested and carry_others:
        problems.warn(f"{place}: {listed(nested)}: lists and records are not carried through.")
    plain = [name for name in stored.names if name not in columns and name not in nested]
    names = _columns_to_read(plain, schema, carry_others)
    if not schema.geometry:
        return _layer(schema, place, _parquet_table(path, names), None, None)
    primary = spatial["primary_column"]
    if columns[primary].get("encoding") != "WKB":
        raise ValueError("an encoding for the careful reader")
    table = _parquet_table(path, [*names, primary])
    wkb = _without_curves(schema, table.column(primary))
    text = columns[primary].get("crs", _DEGREES)
    text = json.dumps(text) if isinstance(text, dict) else text
    crs = stated_crs(text, place, "", problems)
    return _layer(schema, place, table.drop_columns([primary]), wkb, crs)


def _parquet_table(path: Path, names: list[str]) -> Any:
    table = pq.read_table(path, columns=names, use_threads=processor_count() > 1)
    table.validate(full=True)  # text may be of other bytes than UTF-8
    return table


def _columns_to_read(names: list[str], schema: LayerSchema, carry_others: bool) -> list[str]:
    """Columns with a meaning and, where they are carried, the first of the others."""
    others = [name for name in names if name not in schema.spellings]
    dropped = set(others[UNKNOWN_COLUMNS_AT_MOST:] if carry_others else others)
    return [name for name in names if name not in dropped]


def _layer(
    schema: LayerSchema, place: str, table: Any, wkb: Any, crs: pyproj.CRS | None
) -> ArrowLayer:
    return ArrowLayer(
        table=LayerTable(
            schema=schema,
            place=place,
            feature=np.arange(1, table.num_rows + 1, dtype=np.int64),
            columns=ArrowColumns(table),
            crs=crs,
        ),
        arrow=table,
        wkb=wkb,
    )


def _of_table(table: LayerTable | None) -> ArrowLayer | None:
    """An ordinary table in bulk form."""
    if table is None:
        return None
    arrow = pa.table({name: _arrow_array(values) for name, values in table.columns.items()})
    wkb = None if table.geometry is None else pa.array(shapely.to_wkb(table.geometry), pa.binary())
    if not arrow.num_columns:  # a table without columns would have no rows either
        arrow = pa.table({"feature": pa.array(table.feature)})
    return _layer(table.schema, table.place, arrow, wkb, table.crs)


def _arrow_array(values: NDArray[Any]) -> Any:
    if values.dtype.kind != "O":
        return pa.array(values)
    texts = [None if v is None or v != v else str(v) for v in values.tolist()]
    return pa.array(texts, pa.string())


# --- geometry ------------------------------------------------------------------------------------


def _geometry(wkb: Any) -> ObjectArray:
    return from_wkb(np.asarray(wkb.to_numpy(zero_copy_only=False), dtype=object))


def from_wkb(values: ObjectArray) -> ObjectArray:
    """Geometries of two coordinates from well-known binary; None where missing or broken."""
    with np.errstate(invalid="ignore"):  # a corner may be NaN
        geometry = np.asarray(shapely.from_wkb(values, on_invalid="ignore"), dtype=object)
    if shapely.has_z(geometry).any() or shapely.has_m(geometry).any():
        geometry = np.asarray(shapely.force_2d(geometry), dtype=object)
    return geometry


def _without_curves(schema: LayerSchema, wkb: Any) -> Any:
    """The same, outlines in one piece; an error where one is a curve: shapely reads none.

    The careful reader has them as chords.
    """
    if "Point" not in schema.geometry:
        wkb = wkb.combine_chunks()
        raw, places = bytes_of(wkb)
        start = places[:-1][np.diff(places) > 2]
        kind = raw[start + 1].astype(np.int64) | raw[start + 2].astype(np.int64) << 8
        if np.isin(kind % _KINDS_WITH_HEIGHT, _CURVED_KINDS).any():
            raise ValueError("there are curves")
    return wkb


def _points_in_step(wkb: Any) -> FloatArray | None:
    """Coordinates straight from the bytes, where all rows are plain points."""
    if wkb.null_count or not len(wkb):
        return None
    coordinates: FloatArray = np.empty((2, len(wkb))).T  # column after column
    start = 0
    for chunk in chunks_of(wkb):
        points = _plain_points(chunk)
        if points is None:
            return None
        rows = slice(start, start + len(chunk))
        coordinates[rows, 0], coordinates[rows, 1] = points["x"], points["y"]
        start = rows.stop
    is_whole = np.isfinite(coordinates[:, 0]) & np.isfinite(coordinates[:, 1])
    coordinates[~is_whole] = np.nan
    return coordinates


def _plain_points(wkb: Any) -> NDArray[Any] | None:
    """Records of `_POINT_WKB`; None where some row is another kind of geometry or size."""
    raw, offsets = bytes_of(wkb)
    size = int(offsets[1] - offsets[0])
    if size not in (_POINT_WKB_BYTES, _POINT_Z_WKB_BYTES) or np.any(np.diff(offsets) != size):
        return None
    point = {**_POINT_WKB, "itemsize": size}
    layout: Any = np.dtype(point)  # type: ignore[call-overload]  # the stub lacks this form
    rows = np.frombuffer(raw, dtype=layout, count=len(wkb), offset=int(offsets[0]))
    is_plain = (rows["order"] == _LITTLE_ENDIAN) & np.isin(rows["kind"], _POINT_KINDS)
    return rows if is_plain.all() else None
