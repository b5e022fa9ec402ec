"""Domains, titles and metadata in the side tables of a GeoPackage."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from geoirrig.io.column_domains import DOMAINS, CodedWords, NumberRange
from geoirrig.io.result_columns import LAYER_TITLES, RESULT_COLUMNS
from geoirrig.io.write_layers import write_layers
from geoirrig.records import ResultTable
from geoirrig.units import unit_of_column
from tests.made_up_analysis import made_up


def queried(path: Path, query: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(query).fetchall()


def domains_of(folder: Path, column: str, values: Sequence[object]) -> list[tuple[Any, ...]]:
    """Name of the domain that a column with these values gets, and its constraints."""
    path = folder / "t.gpkg"
    table = ResultTable(
        name="schedule", columns={column: np.array(values, dtype=object)}, geometry=None
    )
    write_layers(path, [table], made_up().analysis.plane, units="us", run_info={})
    (named,) = queried(
        path, "select constraint_name from gpkg_data_columns where table_name = 'schedule'"
    )
    return [
        named,
        *queried(
            path,
            "select constraint_type, value, min, max, description "
            "from gpkg_data_column_constraints",
        ),
    ]


def test_domains_words_are_listed_with_what_a_reader_sees(tmp_path: Path) -> None:
    assert domains_of(tmp_path, "severity", ["high", None, "low"]) == [
        ("severity",),
        ("enum", "high", None, None, "high"),
        ("enum", "medium", None, None, "medium"),
        ("enum", "low", None, None, "low"),
    ]


def test_domains_codes_get_their_words(tmp_path: Path) -> None:
    named, *found = domains_of(tmp_path, "status_code", [0, 3])
    assert named == ("status_code",)
    assert [(value, words) for _, value, _, _, words in found] == [
        ("0", "could not be worked"),
        ("1", "not eligible"),
        ("2", "eligible, beyond the budget"),
        ("3", "funded"),
    ]


def test_domains_shares_have_a_range(tmp_path: Path) -> None:
    assert domains_of(tmp_path, "du_lq", [0.0, 0.7, 1.0, np.nan]) == [
        ("du_lq",),
        ("range", None, 0.0, 1.0, None),
    ]


@pytest.mark.parametrize(
    ("column", "value"), [("soil_texture", "peat"), ("du_lq", 1.0001), ("month", "May")]
)
def test_domains_column_with_a_value_outside_states_none(
    column: str, value: object, tmp_path: Path
) -> None:
    assert domains_of(tmp_path, column, [value]) == [(None,)]


def test_domains_are_of_result_columns_that_no_unit_system_changes() -> None:
    assert DOMAINS.keys() <= RESULT_COLUMNS.keys()
    for column, domain in DOMAINS.items():
        assert unit_of_column(column)[1] is None
        if isinstance(domain, CodedWords):
            assert all(domain.words.values())
            assert domain.holds(np.array(list(domain.words), dtype=object))
        else:
            assert isinstance(domain, NumberRange)
            assert domain.low < domain.high  # OGC 12-128r15, Req 110


def test_metadata_every_layer_has_title_and_abstract(tmp_path: Path) -> None:
    analysis = made_up().analysis
    path = tmp_path / "results.gpkg"
    write_layers(path, analysis.tables, analysis.plane, units="si", run_info={"version": "1"})
    rows = queried(
        path,
        "select r.table_name, r.reference_scope, m.md_scope, m.mime_type, m.metadata "
        "from gpkg_metadata_reference r join gpkg_metadata m on m.id = r.md_file_id",
    )
    told = {}
    for table, scope, md_scope, mime_type, document in rows:
        assert (scope, md_scope, mime_type) == ("table", "dataset", "text/xml")
        root = ET.fromstring(document)
        told[table] = (root.findtext("title"), root.findtext("abstract"))
    assert told == {
        name: LAYER_TITLES[name] for name in (*(t.name for t in analysis.tables), "run_info")
    }
