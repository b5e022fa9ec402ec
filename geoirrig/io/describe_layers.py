"""What a GeoPackage says about its own layers: titles, meanings, domains, metadata and styles.

All of it lies in side tables, which are written when the layers are closed: no other library may
have the file open meanwhile.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
from numpy.typing import NDArray

from geoirrig.io.column_domains import DOMAINS, CodedWords, Domain
from geoirrig.io.layer_styles import layer_styles
from geoirrig.io.result_columns import LAYER_TITLES, column_description, column_title
from geoirrig.records import ResultTable
from geoirrig.units import UnitSystem

_SCHEMA_DEFINITION = "http://www.geopackage.org/spec121/#extension_schema"
_METADATA_DEFINITION = "http://www.geopackage.org/spec121/#extension_metadata"
# The document type by which open desktop viewers know the title and abstract of a layer.
_LAYER_METADATA_URI = "http://mrcc.com/qgis.dtd"


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenField:
    """A column as it is written; ``column`` is its SI name if it is a result column."""

    column: str
    name: str
    values: NDArray[Any]
    is_null: NDArray[np.bool_] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenLayer:
    """A layer or table as it lies in the file."""

    table: ResultTable
    fields: tuple[WrittenField, ...]
    geometry_column: str
    units: UnitSystem


def describe_layers(
    connection: sqlite3.Connection, layers: Sequence[WrittenLayer], when: str
) -> None:
    """Write all side tables; ``when`` is the time of writing that they state."""
    # The layer writer makes this table only where a layer has a spatial index.
    connection.execute(
        "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, "
        "extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL, "
        "CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))"
    )
    _write_domains(connection, layers)
    _write_titles(connection, layers)
    _write_metadata(connection, layers, when)
    _write_styles(connection, layers, when)


def metadata_document(title: str, abstract: str) -> ET.Element:
    """Title and abstract of a layer, in the document type of open desktop viewers."""
    root = ET.Element("qgis")
    for name, text in (("type", "dataset"), ("title", title), ("abstract", abstract)):
        ET.SubElement(root, name).text = text
    return root


# --- schema extension, OGC 12-128 annex F.9 ------------------------------------------------------


def _write_domains(connection: sqlite3.Connection, layers: Sequence[WrittenLayer]) -> None:
    connection.execute(
        "CREATE TABLE gpkg_data_column_constraints (constraint_name TEXT NOT NULL, "
        "constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN, "
        "max NUMERIC, max_is_inclusive BOOLEAN, description TEXT, "
        "CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value))"
    )
    used = {name: DOMAINS[name] for layer in layers for name in _domain_names(layer) if name}
    for name, domain in used.items():
        if isinstance(domain, CodedWords):
            connection.executemany(
                "INSERT INTO gpkg_data_column_constraints (constraint_name, constraint_type, "
                "value, description) VALUES (?, 'enum', ?, ?)",
                [(name, str(value), words) for value, words in domain.words.items()],
            )
        else:
            connection.execute(
                "INSERT INTO gpkg_data_column_constraints (constraint_name, constraint_type, "
                "min, min_is_inclusive, max, max_is_inclusive) VALUES (?, 'range', ?, 1, ?, 1)",
                (name, domain.low, domain.high),
            )


def _write_titles(connection: sqlite3.Connection, layers: Sequence[WrittenLayer]) -> None:
    """A title, a description and a domain per column."""
    connection.execute(
        "CREATE TABLE gpkg_data_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, "
        "name TEXT, title TEXT, description TEXT, mime_type TEXT, constraint_name TEXT, "
        "CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name), "
        "CONSTRAINT gdc_tn UNIQUE (table_name, name))"
    )
    connection.executemany(
        "INSERT INTO gpkg_extensions (table_name, column_name, extension_name, definition, scope) "
        "VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
        [
            (name, _SCHEMA_DEFINITION)
            for name in ("gpkg_data_columns", "gpkg_data_column_constraints")
        ],
    )
    for layer in layers:
        rows = [
            (
                layer.table.name,
                field.name,
                column_title(field.column, layer.units),
                column_title(field.column, layer.units),
                column_description(field.column, layer.units),
                domain,
            )
            for field, domain in zip(layer.fields, _domain_names(layer), strict=True)
            if field.column
        ]
        connection.executemany(
            "INSERT INTO gpkg_data_columns (table_name, column_name, name, title, description, "
            "constraint_name) VALUES (?, ?, ?, ?, ?, ?)",
            rows,
        )


def _domain_names(layer: WrittenLayer) -> list[str | None]:
    """Domain of each field; None where it has none or a value, perhaps of the input, leaves it."""
    return [
        field.column if field.column in DOMAINS and _keeps(DOMAINS[field.column], field) else None
        for field in layer.fields
    ]


def _keeps(domain: Domain, field: WrittenField) -> bool:
    values = field.values if field.is_null is None else field.values[~field.is_null]
    if values.dtype.kind == "O":
        values = values[values != None]  # noqa: E711 - elementwise
    return domain.holds(values)


# --- metadata extension, OGC 12-128 annex F.8 ----------------------------------------------------


def _write_metadata(
    connection: sqlite3.Connection, layers: Sequence[WrittenLayer], when: str
) -> None:
    """Title and abstract of each layer, where a viewer looks for them."""
    connection.execute(
        "CREATE TABLE gpkg_metadata (id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL, "
        "md_scope TEXT NOT NULL DEFAULT 'dataset', md_standard_uri TEXT NOT NULL, "
        "mime_type TEXT NOT NULL DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '')"
    )
    connection.execute(
        "CREATE TABLE gpkg_metadata_reference (reference_scope TEXT NOT NULL, table_name TEXT, "
        "column_name TEXT, row_id_value INTEGER, timestamp DATETIME NOT NULL DEFAULT "
        "(strftime('%Y-%m-%dT%H:%M:%fZ','now')), md_file_id INTEGER NOT NULL, "
        "md_parent_id INTEGER, CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES "
        "gpkg_metadata(id), CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES "
        "gpkg_metadata(id))"
    )
    connection.executemany(
        "INSERT INTO gpkg_extensions (table_name, column_name, extension_name, definition, scope) "
        "VALUES (?, NULL, 'gpkg_metadata', ?, 'read-write')",
        [(name, _METADATA_DEFINITION) for name in ("gpkg_metadata", "gpkg_metadata_reference")],
    )
    for number, layer in enumerate(layers, start=1):
        title, abstract = LAYER_TITLES.get(layer.table.name, (layer.table.name, ""))
        document = ET.tostring(metadata_document(title, abstract), encoding="unicode")
        connection.execute(
            "INSERT INTO gpkg_metadata VALUES (?, 'dataset', ?, 'text/xml', ?)",
            (number, _LAYER_METADATA_URI, document),
        )
        connection.execute(
            "INSERT INTO gpkg_metadata_reference VALUES ('table', ?, NULL, NULL, ?, ?, NULL)",
            (layer.table.name, when, number),
        )


# --- styles --------------------------------------------------------------------------------------


def _write_styles(
    connection: sqlite3.Connection, layers: Sequence[WrittenLayer], when: str
) -> None:
    """Default styles, in the table where open desktop viewers look for them."""
    connection.execute(
        'CREATE TABLE layer_styles ("id" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, '
        '"f_table_catalog" TEXT(256), "f_table_schema" TEXT(256), "f_table_name" TEXT(256), '
        '"f_geometry_column" TEXT(256), "styleName" TEXT(30), "styleQML" TEXT, "styleSLD" TEXT, '
        '"useAsDefault" BOOLEAN, "description" TEXT, "owner" TEXT(30), "ui" TEXT(30), '
        '"update_time" DATETIME)'
    )
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles', 'Default styles of the layers', ?)",
        (when,),
    )
    for layer in layers:
        table = layer.table
        styles = layer_styles(
            table.name, list(table.columns), table.geometry_type, units=layer.units
        )
        connection.executemany(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, "
            "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner, "
            "update_time) VALUES ('', '', ?, ?, ?, ?, ?, ?, ?, '', ?)",
            [
                (
                    table.name,
                    "" if table.geometry_type is None else layer.geometry_column,
                    style.name,
                    style.qml,
                    style.sld,
                    number == 0,
                    style.description,
                    when,
                )
                for number, style in enumerate(styles)
            ],
        )
