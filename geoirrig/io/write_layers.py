"""Result layers and tables as one GeoPackage, which tells a viewer how to show them."""

from __future__ import annotations

import datetime as dt
import sqlite3
import struct
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path
from types import NoneType
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyogrio
import pyogrio.errors
import shapely
from numpy.typing import NDArray

from geoirrig.city_records import PackedBytes
from geoirrig.errors import OutputError
from geoirrig.io.describe_layers import WrittenField, WrittenLayer, describe_layers
from geoirrig.io.result_columns import LAYER_TITLES, RESULT_COLUMNS, column_unit
from geoirrig.io.write_geoparquet import arrow_bytes
from geoirrig.io.write_project import write_project
from geoirrig.records import ObjectArray, ResultRaster, ResultTable, WorkingPlane
from geoirrig.units import UnitSystem, in_unit_system

# Old readers warn about 1.4 and their validators miss its renamed triggers; 1.2 suits all.
GEOPACKAGE_VERSION = "1.2"
_FLAT = 2  # coordinates of a point
# What the file says of its layers, in map units; nothing of those that are empty.
_EXTENT = "SELECT min(min_x), min(min_y), max(max_x), max(max_y) FROM gpkg_contents"
# How well-known binary begins, OGC 06-103r4 clause 8: order of bytes, kind, how many there are.
_POLYGON, _MULTIPOLYGON = struct.pack("<BI", 1, 3), struct.pack("<BI", 1, 6)
_MULTIPOLYGON_OF_ONE = struct.pack("<BII", 1, 6, 1)
_TIME_FORMAT = "%Y-%m-%dT%H:%M:%S.000Z"


def write_layers(  # noqa: PLR0913 - what is written, where, in which units, and what it was
    path: Path,
    tables: Sequence[ResultTable],
    plane: WorkingPlane,
    *,
    units: UnitSystem,
    run_info: Mapping[str, str],
    dated: dt.datetime | None = None,
    input_layers: Sequence[ResultTable] = (),
    outlines: Mapping[str, PackedBytes] = {},
    rasters: Sequence[ResultRaster] = (),
) -> None:
    """Write result tables into a new GeoPackage, and a viewer's project beside it.

    Every table is written, an empty one too. Result columns are converted to the unit system and
    renamed; columns carried through from the input keep name and values. NaN, infinity and None
    become NULL. A carried column whose name a result column takes gets ``_input`` behind its own.

    Parameters
    ----------
    path : Path
        File to write; it must not exist.
    tables : sequence of ResultTable
        Layers and attribute tables, SI, in the working plane.
    plane : WorkingPlane
        The working CRS and its unit; geometry goes back to map units.
    units : {"si", "us"}
        Unit system of the columns.
    run_info : mapping of str to str
        What the run was: written as attribute table ``run_info`` (key, value).
    dated : datetime, optional
        What the file states as the time of writing, so that the same results are the same bytes;
        now if absent.
    input_layers : sequence of ResultTable
        Layers that another run reads: they stand first and stay in SI, so that it gets just these
        numbers.
    outlines : mapping of str to PackedBytes, optional
        Outlines of layers whose table has no geometry, as well-known binary in the working plane.
        They become geometries only where its unit is another, or wrapping them is not enough.
    rasters : sequence of ResultRaster, optional
        Rasters that `write_rasters` writes into the same folder, for the project.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    info = ResultTable(
        name="run_info",
        columns={
            "key": np.array(list(run_info), dtype=object),
            "value": np.array([str(value) for value in run_info.values()], dtype=object),
        },
        geometry=None,
    )
    when = (dt.datetime.now(dt.UTC) if dated is None else dated).strftime(_TIME_FORMAT)
    try:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": when})
        written = [_write_layer(path, table, plane, "si") for table in input_layers]
        written += [
            _write_layer(path, table, plane, units, outlines.get(table.name))
            for table in (*tables, info)
        ]
        with closing(sqlite3.connect(path)) as connection, connection:
            describe_layers(connection, written, when)
            (extent,) = connection.execute(_EXTENT)
        write_project(path.with_suffix(".qgs"), path.name, written, rasters, plane, extent)
    except (
        pyogrio.errors.DataSourceError,
        pyogrio.errors.DataLayerError,
        pyogrio.errors.FeatureError,
        sqlite3.OperationalError,
    ) as error:
        raise OutputError(
            f"{path.name} could not be written: {error}. "
            "Check the space and the permissions of the output folder."
        ) from error
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


# --- layers --------------------------------------------------------------------------------------


def _write_layer(
    path: Path,
    table: ResultTable,
    plane: WorkingPlane,
    units: UnitSystem,
    outlines: PackedBytes | None = None,
) -> WrittenLayer:
    fields = _fields(table, units)
    taken = {field.name.lower() for field in fields}
    geometry_column, fid_column = _free_name("geom", taken), _free_name("fid", taken)
    title, description = LAYER_TITLES.get(table.name, (table.name, ""))
    is_layer = table.geometry_type is not None
    options = {"IDENTIFIER": title, "DESCRIPTION": description, "FID": fid_column}
    if is_layer:
        options["GEOMETRY_NAME"] = geometry_column
    columns = {field.name: _arrow_array(field) for field in fields}
    if is_layer:
        columns[geometry_column] = _map_geometry(table, outlines, plane.metres_per_unit)
    pyogrio.write_arrow(
        pa.table(columns),
        str(path),
        layer=table.name,
        driver="GPKG",
        geometry_name=geometry_column if is_layer else None,
        geometry_type=table.geometry_type,
        crs=plane.crs_wkt if is_layer else None,
        dataset_options={} if path.exists() else {"VERSION": GEOPACKAGE_VERSION},
        layer_options=options,
    )
    return WrittenLayer(table=table, fields=fields, geometry_column=geometry_column, units=units)


def _arrow_array(field: WrittenField) -> Any:
    """Values of a field as an Arrow array; text is text also where all of it is missing."""
    if field.values.dtype.kind == "O":
        return pa.array(field.values, pa.string())
    return pa.array(field.values, mask=field.is_null)


def _map_geometry(table: ResultTable, outlines: PackedBytes | None, metres_per_unit: float) -> Any:
    """Well-known binary in map units, of the layer's own geometry type, as an Arrow array."""
    if outlines is not None and metres_per_unit == 1.0 and table.geometry_type == "MultiPolygon":
        wrapped = _wrapped(outlines)
        if wrapped is not None:
            return wrapped
    drawn = table.geometry if outlines is None else shapely.from_wkb(outlines.of_all())
    geometry = np.array(() if drawn is None else drawn, dtype=object)
    if metres_per_unit != 1.0:
        geometry = shapely.transform(geometry, lambda metres: metres / metres_per_unit)
    if np.any(shapely.get_coordinate_dimension(geometry) > _FLAT):
        geometry = shapely.force_2d(geometry)
    geometry[shapely.is_empty(geometry)] = None
    if table.geometry_type == "MultiPolygon":
        geometry = _multipolygons(geometry)
    return pa.array(shapely.to_wkb(geometry), pa.binary())


def _wrapped(outlines: PackedBytes) -> Any:
    """Bytes of polygons and multipolygons as those of multipolygons, in an Arrow array.

    None unless all have two coordinates, the lowest byte first, and something in them.
    """
    is_there = np.diff(outlines.start) > 0
    start = outlines.start[:-1][is_there]
    head = outlines.data[start[:, None] + np.arange(len(_MULTIPOLYGON_OF_ONE))]
    kind, holds_some = head[:, : len(_POLYGON)], np.any(head[:, len(_POLYGON) :], axis=1)
    is_polygon, is_multipolygon = (
        np.all(kind == np.frombuffer(wanted, dtype=np.uint8), axis=1)
        for wanted in (_POLYGON, _MULTIPOLYGON)
    )
    if not np.all(holds_some & (is_polygon | is_multipolygon)):
        return None
    is_bare = np.zeros(len(is_there), dtype=bool)
    is_bare[is_there] = is_polygon
    wrapping = pc.if_else(pa.array(is_bare), _MULTIPOLYGON_OF_ONE, b"")
    return pc.binary_join_element_wise(wrapping, arrow_bytes(outlines), b"")


def _multipolygons(geometry: ObjectArray) -> ObjectArray:
    """Polygons as multipolygons of one; of a collection, its polygons."""
    polygons, row = geometry, np.arange(len(geometry))
    is_polygon = shapely.get_type_id(polygons) == shapely.GeometryType.POLYGON
    if not np.all(is_polygon | shapely.is_missing(polygons)):
        parts, row = shapely.get_parts(geometry, return_index=True)
        polygons, part = shapely.get_parts(parts, return_index=True)  # of multipolygons in them
        is_polygon = shapely.get_type_id(polygons) == shapely.GeometryType.POLYGON
        row = row[part]
    out: ObjectArray = np.full(len(geometry), None, dtype=object)
    if is_polygon.any():
        shapely.multipolygons(polygons[is_polygon], indices=row[is_polygon], out=out)
    return out


def _fields(table: ResultTable, units: UnitSystem) -> tuple[WrittenField, ...]:
    """Columns under the names they are written with; result columns choose first."""
    fields: dict[str, WrittenField] = {}
    taken: set[str] = set()
    for column in sorted(table.columns, key=lambda column: column not in RESULT_COLUMNS):
        values, is_null = _written_values(table.columns[column])
        is_result = column in RESULT_COLUMNS
        name = column
        if is_result and column_unit(column, units):
            if values.dtype.kind == "O" and not any(value is not None for value in values):
                values, is_null = np.full(len(values), np.nan), np.ones(len(values), dtype=bool)
            if values.dtype.kind in "iuf":
                name, converted = in_unit_system(column, values, units)
                values = np.asarray(converted)
            else:
                is_result = False  # text under the name of a measure: left as it came
        name = _free_name(_clean_text(name) or "unnamed", taken, suffix="_input")
        taken.add(name.lower())
        fields[column] = WrittenField(
            column=column if is_result else "", name=name, values=values, is_null=is_null
        )
    return tuple(fields[column] for column in table.columns)


def _free_name(name: str, taken: set[str], *, suffix: str = "_1") -> str:
    """The name, or the name with a suffix; SQLite does not tell capitals from small letters."""
    while name.lower() in taken:
        name += suffix
    return name


def _written_values(values: Any) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
    """Values as the writer wants them, and which are NULL."""
    array = np.asarray(values)
    if array.dtype.kind == "f":
        is_null = ~np.isfinite(array)
        return (array, is_null) if is_null.any() else (array, None)
    if array.dtype == np.uint64:  # which a GeoPackage has no kind for
        fits = not len(array) or int(array.max()) < 2**63
        return array.astype(np.int64) if fits else array.astype(str).astype(object), None
    if array.dtype.kind in "bMiu":
        return array, None
    if array.dtype.kind == "O" and _is_clean_text(array):
        return array, None
    items = array.tolist()
    kinds = {*map(type, items)} - {NoneType}
    if not kinds <= {str, int, bool}:  # others may be NaN
        items = [None if _is_missing(item) else item for item in items]
        kinds = {*map(type, items)} - {NoneType}
    is_null = np.array([item is None for item in items], dtype=bool)
    if kinds == {bool}:
        return np.array([bool(item) for item in items], dtype=bool), is_null
    if kinds == {int}:
        filled = [item or 0 for item in items]
        if min(filled) > -(2**63) and max(filled) < 2**63:
            return np.array(filled, dtype=np.int64), is_null
    if kinds and kinds <= {int, float}:
        numbers = np.array([np.nan if item is None else float(item) for item in items])
        return numbers, ~np.isfinite(numbers)
    texts = [None if item is None else _clean_text(str(item)) for item in items]
    return np.array(texts, dtype=object), None


def _is_clean_text(array: NDArray[Any]) -> bool:
    """Whether all is text or None, without what `_clean_text` takes out: millions are, at once."""
    try:
        text = pa.array(array)
    except (pa.ArrowException, UnicodeError, TypeError):
        return False
    return pa.types.is_string(text.type) and not pc.any(pc.match_substring(text, "\x00")).as_py()


def _is_missing(item: object) -> bool:
    """None, NaN, NaT and the like, none of which equals itself."""
    if item is None:
        return True
    same = item == item
    return not isinstance(same, bool | np.bool_) or not same


def _clean_text(text: str) -> str:
    """The text without what ends or breaks it in a database: NUL and lone surrogates."""
    return text.encode("utf-8", "replace").decode("utf-8").replace("\x00", "\ufffd")
