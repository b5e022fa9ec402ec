"""Layers and attribute tables, from any accepted format, as arrays.

Layers are read in bulk by pyogrio, GeoParquet by geopandas. Where bulk reading
fails, the file is read once more record by record, to say which feature is the bad one.
"""

from __future__ import annotations

import csv
import json
import warnings
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely
from numpy.typing import NDArray

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.io.bad_features import bad_feature_sentence
from geoirrig.io.columns import UNKNOWN_COLUMNS_AT_MOST, LayerSchema, listed, nearest_hint
from geoirrig.io.file_formats import (
    CSV,
    DXF,
    GEOPACKAGE,
    GEOPARQUET,
    SHAPEFILE,
    FileFormat,
    companion,
    vector_format,
)
from geoirrig.records import Attributes, IntArray, ObjectArray

# What the reading libraries raise for a damaged file.
_READ_ERRORS = (RuntimeError, ValueError, OSError, LookupError, TypeError)
_SHAPEFILE_NAME_LENGTH = 10  # a dBASE table cuts column names there


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerSource:
    """Where a layer comes from: a file and, where that is not plain, the layer's name in it."""

    path: Path
    layer: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerTable:
    """A layer as it was read: arrays of shape (n_rows,).

    Attributes
    ----------
    schema : LayerSchema
        What the layer is meant to hold.
    place : str
        Where it was read, for messages: ``layer 'heads' of 'site.gpkg'``.
    feature : ndarray of int
        Feature numbers in the file, to name rows without an id.
    columns : mapping of str to ndarray
        Columns by name, untouched.
    geometry : ndarray of shapely geometries or None
        Without Z; None entries are missing or broken. None: the layer has no geometry.
    crs : pyproj.CRS or None
        None where the layer does not say.
    """

    schema: LayerSchema
    place: str
    feature: IntArray
    columns: Attributes
    geometry: ObjectArray | None = None
    crs: pyproj.CRS | None = None

    @property
    def n_rows(self) -> int:
        """Number of rows."""
        return len(self.feature)

    @property
    def start(self) -> str:
        """The place at the start of a sentence."""
        return _sentence_start(self.place)


def layer_names(path: Path) -> tuple[str, ...]:
    """Names of the layers and attribute tables of a file.

    Raises
    ------
    GeoirrigError
        If the file cannot be opened as what it is named.
    """
    file_format = vector_format(path)
    if file_format in (CSV, GEOPARQUET):
        return (path.stem,)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = pyogrio.list_layers(path)
    except _READ_ERRORS as error:
        raise GeoirrigError(_unopenable(path, file_format, error)) from error
    # A GeoPackage may hold a table of styles, which is no layer of the user's.
    return tuple(str(name) for name, _ in found if name != "layer_styles")


def read_layer(
    path: Path, layer: str, schema: LayerSchema, problems: ProblemList
) -> LayerTable | None:
    """A layer as arrays; None, with the problem noted, where it cannot be read.

    Parameters
    ----------
    path : Path
        File to read.
    layer : str
        Name of the layer in it.
    schema : LayerSchema
        Columns with a meaning; of the others at most `UNKNOWN_COLUMNS_AT_MOST` are carried
        through, the rest are left out with a warning.
    problems : ProblemList
        Takes problems and warnings.
    """
    try:
        file_format = vector_format(path)
        if file_format is CSV:
            table = _read_csv(path, schema, problems)
        elif file_format is GEOPARQUET:
            table = _read_parquet(path, schema, problems)
        else:
            table = _read_bulk(path, layer, file_format, schema, problems)
    except GeoirrigError as error:
        problems.add(str(error))
        return None
    return table


def _read_bulk(
    path: Path, layer: str, file_format: FileFormat, schema: LayerSchema, problems: ProblemList
) -> LayerTable:
    place = _place(path, layer)
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            info = pyogrio.read_info(path, layer=layer)
            if info["driver"] != file_format.driver:
                raise GeoirrigError(
                    f"{str(path)!r} is named as a {file_format.name} but opens as "
                    f"{info['driver']!r}. Give a {file_format.name}."
                )
            names = _columns_to_read([str(n) for n in info["fields"]], schema, place, problems)
            meta, feature, wkb, data = pyogrio.raw.read(
                path,
                layer=layer,
                columns=names,
                read_geometry=bool(schema.geometry),
                force_2d=True,
                return_fids=True,
            )
    except _READ_ERRORS as error:
        reason = bad_feature_sentence(
            path, layer, driver=file_format.driver, id_column=schema.id_column
        )
        raise GeoirrigError(
            f"{_sentence_start(place)} cannot be read: {_one_line(error)}. {reason}"
        ) from error
    for warning in caught:
        if issubclass(warning.category, RuntimeWarning):  # GDAL's own
            problems.warn(f"{_sentence_start(place)}: {_one_line(warning.message)}")
    columns = dict(zip((str(name) for name in meta["fields"]), data, strict=True))
    if file_format is SHAPEFILE:
        columns = _with_whole_names(columns, schema, place, problems)
    hint = "; a DXF plan never has one" if file_format is DXF else ""
    if file_format is SHAPEFILE and companion(path, ".prj") is None:
        hint = "; its companion .prj is missing"
    return LayerTable(
        schema=schema,
        place=place,
        feature=np.asarray(feature, dtype=np.int64),
        columns=columns,
        geometry=None if wkb is None else shapely.from_wkb(wkb, on_invalid="ignore"),
        crs=stated_crs(meta["crs"], place, hint, problems) if schema.geometry else None,
    )


def _read_parquet(path: Path, schema: LayerSchema, problems: ProblemList) -> LayerTable:
    import pyarrow.parquet  # only such a file needs it; it would lengthen every start

    place = _place(path, None)
    try:
        stored = pyarrow.parquet.read_schema(path)
        is_spatial = b"geo" in (stored.metadata or {})
        if schema.geometry and not is_spatial:
            raise GeoirrigError(f"{str(path)!r} is Parquet without geometry. Give a GeoParquet.")
        spatial = json.loads(stored.metadata[b"geo"]) if is_spatial else {}
        fields = [name for name in stored.names if name not in spatial.get("columns", {})]
        names = _columns_to_read(fields, schema, place, problems)
        if schema.geometry:
            frame = geopandas.read_parquet(path, columns=[*names, spatial["primary_column"]])
            geometry = shapely.force_2d(np.asarray(frame.geometry, dtype=object))
            crs = frame.crs  # the format takes a missing CRS for longitude and latitude
        else:
            frame, geometry, crs = pd.read_parquet(path, columns=names), None, None
    except _READ_ERRORS as error:
        raise GeoirrigError(
            f"{str(path)!r} cannot be read: {_one_line(error)}. Export it again."
        ) from error
    if schema.geometry and crs is None:
        problems.add(_no_crs(place, ""))
    return LayerTable(
        schema=schema,
        place=place,
        feature=np.arange(1, len(frame) + 1, dtype=np.int64),
        columns={name: _plain_array(frame[name]) for name in names},
        geometry=geometry,
        crs=None if crs is None else pyproj.CRS(crs),
    )


def _plain_array(column: pd.Series[Any]) -> NDArray[Any]:
    """Values of a column without pandas' own types; missing text is None."""
    if column.dtype.kind in "iufbM":
        return np.asarray(column)
    is_missing = np.asarray(column.isna())
    if pd.api.types.is_numeric_dtype(column.dtype):
        return np.asarray(column.to_numpy(dtype=np.float64, na_value=np.nan))
    values = np.array(column, dtype=object)
    values[is_missing] = None
    return values


def _read_csv(path: Path, schema: LayerSchema, problems: ProblemList) -> LayerTable:
    place = _place(path, None)
    if schema.geometry:
        raise GeoirrigError(
            f"{str(path)!r} is a CSV, which has no geometry. Give the layer {schema.layer!r} as a "
            "GeoPackage or another map format."
        )
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            lines = csv.reader(stream)
            header = [name.strip() for name in next(lines, [])]
            _require_plain_header(header, path)
            rows = [row for row in lines if any(cell.strip() for cell in row)]
    except UnicodeDecodeError as error:
        raise GeoirrigError(
            f"{str(path)!r} is not UTF-8 text (byte {error.start}). Save it as UTF-8."
        ) from error
    except csv.Error as error:
        raise GeoirrigError(f"{str(path)!r} cannot be read: {_one_line(error)}.") from error
    for number, row in enumerate(rows, start=1):
        if len(row) != len(header):
            raise GeoirrigError(
                f"{str(path)!r}: row {number} has {len(row)} values, the header {len(header)} "
                "columns. Correct the row; put text with commas in quotes."
            )
    names = _columns_to_read(header, schema, place, problems)
    cells = np.array(rows, dtype=object).reshape(len(rows), len(header))
    return LayerTable(
        schema=schema,
        place=place,
        feature=np.arange(1, len(rows) + 1, dtype=np.int64),
        columns={name: cells[:, header.index(name)] for name in names},
    )


def _require_plain_header(header: list[str], path: Path) -> None:
    """Refuse a header that gives no column names, or one twice."""
    if len(header) == 1 and (";" in header[0] or "\t" in header[0]):
        raise GeoirrigError(
            f"{str(path)!r} is not separated by commas. Save it as comma-separated values, with "
            "decimal points."
        )
    twice = sorted(name for name, count in Counter(header).items() if count > 1)
    if twice:
        raise GeoirrigError(
            f"{str(path)!r} has more than one column named {listed(twice)}. Keep one of each."
        )


def _columns_to_read(
    names: list[str], schema: LayerSchema, place: str, problems: ProblemList
) -> list[str]:
    """Columns with a meaning and the first of the others, in the order of the file."""
    spellings = schema.spellings | {n[:_SHAPEFILE_NAME_LENGTH] for n in schema.spellings}
    unknown = [name for name in names if name not in spellings]
    if len(unknown) <= UNKNOWN_COLUMNS_AT_MOST:
        return names
    left_out = set(unknown[UNKNOWN_COLUMNS_AT_MOST:])
    problems.warn(
        f"{_sentence_start(place)} has {len(unknown)} columns that the program does not know; the "
        f"first {UNKNOWN_COLUMNS_AT_MOST} are carried through, {len(left_out)} are left out."
    )
    return [name for name in names if name not in left_out]


def _with_whole_names(
    columns: Mapping[str, NDArray[Any]], schema: LayerSchema, place: str, problems: ProblemList
) -> dict[str, NDArray[Any]]:
    """Columns under the names that a Shapefile cut off at ten characters, where that is plain."""
    whole: dict[str, NDArray[Any]] = {}
    for name, values in columns.items():
        meant = [
            s
            for s in schema.accepted_names
            if len(name) == _SHAPEFILE_NAME_LENGTH and s[:_SHAPEFILE_NAME_LENGTH] == name
        ]
        if name in schema.accepted_names or not meant:
            whole[name] = values
        elif len(meant) == 1:
            problems.warn(
                f"{_sentence_start(place)}: column {name!r}, cut off by the Shapefile, is taken "
                f"for {meant[0]!r}."
            )
            whole[meant[0]] = values
        else:
            problems.add(
                f"{_sentence_start(place)}: column {name!r} is cut off by the Shapefile and may "
                f"be any of {listed(sorted(meant))}. Give the layer as a GeoPackage."
            )
    return whole


def stated_crs(text: str | None, place: str, hint: str, problems: ProblemList) -> pyproj.CRS | None:
    """The CRS that a layer states; None, with the problem noted, where it is of no use.

    Parameters
    ----------
    text : str or None
        As the layer states it: an authority's code or well-known text.
    place : str
        Name of the layer, for messages.
    hint : str
        What may be the reason, after "has no CRS".
    problems : ProblemList
        Takes the problem.
    """
    crs = None
    if text:
        try:
            crs = pyproj.CRS.from_user_input(text)
        except pyproj.exceptions.CRSError as error:
            problems.add(
                f"{_sentence_start(place)} has a CRS that cannot be understood: "
                f"{_one_line(error)}. Assign the one it was surveyed in."
            )
            return None
    if crs is None or (
        crs.name.startswith(("Undefined", "Unknown", "unknown")) and (not crs.is_projected)
    ):
        problems.add(_no_crs(place, hint))
        return None
    return crs


def _no_crs(place: str, hint: str) -> str:
    return f"{_sentence_start(place)} has no CRS{hint}. Assign the one it was surveyed in."


def chosen_layer(source: LayerSource, role: str) -> str:
    """Name of the layer to read from a file given for one role.

    The layer that was asked for, else the one named as the role, else the only one.

    Raises
    ------
    GeoirrigError
        If there is none of these.
    """
    names = layer_names(source.path)
    if source.layer is not None:
        if source.layer not in names:
            raise GeoirrigError(
                f"{str(source.path)!r} has no layer {source.layer!r}; it has {listed(names)}."
                f"{nearest_hint(source.layer, names)}"
            )
        return source.layer
    if role in names:
        return role
    if len(names) == 1:
        return names[0]
    if not names:
        raise GeoirrigError(f"{str(source.path)!r} has no layers. Export it again.")
    raise GeoirrigError(
        f"{str(source.path)!r} has the layers {listed(names)}, none of them named {role!r}. Say "
        f"which one is meant with --{role.replace('_', '-')}-layer NAME."
    )


def _place(path: Path, layer: str | None) -> str:
    return repr(path.name) if layer is None else f"layer {layer!r} of {path.name!r}"


def _sentence_start(place: str) -> str:
    return place[:1].upper() + place[1:]


def _unopenable(path: Path, file_format: FileFormat, error: Exception) -> str:
    damaged = " It is damaged." if file_format is GEOPACKAGE else ""
    return (
        f"{str(path)!r} cannot be opened as a {file_format.name}: {_one_line(error)}.{damaged} "
        "Copy or export it again."
    )


def _one_line(error: object, *, longest: int = 200) -> str:
    text = " ".join(str(error).split()).rstrip(".") or type(error).__name__
    if "malformed" in text:  # SQLite's word, in the middle of the query that met it
        return "the database in it is malformed"
    return text if len(text) <= longest else text[: longest - 1] + "…"
