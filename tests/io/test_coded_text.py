"""Text as numbers of words is the text that was there."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyogrio
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.errors import ProblemList
from geoirrig.io.arrow_layer import read_arrow_layer
from geoirrig.io.coded_text import Words, coded_text, is_repeated
from geoirrig.io.columns import HEADS
from tests.io.bulk_layers import CRS, heads, read, written


def test_coded_text_words_that_differ_in_case_stay_apart(tmp_path: Path) -> None:
    layer = read(written(heads(), tmp_path / "city.gpkg"))
    assert coded_text(layer, "head_id").texts().tolist() == ["A", "a", "B"]
    assert not is_repeated(layer, "head_id").any()
    assert coded_text(layer, "nozzle").texts().tolist() == ["", "", ""]


def test_coded_text_of_numbers_is_as_the_careful_reader_writes_them(tmp_path: Path) -> None:
    layer = read(written(heads(zone=[1.0, 2.5, np.nan]), tmp_path / "city.gpkg"))
    assert coded_text(layer, "zone").texts().tolist() == ["1", "2.5", ""]
    whole = read(written(heads(zone=[7, 8, 7]), tmp_path / "whole.gpkg"))
    assert coded_text(whole, "zone").texts().tolist() == ["7", "8", "7"]


def test_is_repeated_marks_both_and_the_empty_one(tmp_path: Path) -> None:
    layer = read(written(heads(head_id=["A", "A", None]), tmp_path / "city.gpkg"))
    assert is_repeated(layer, "head_id").tolist() == [True, True, True]


@pytest.mark.parametrize(
    ("ids", "repeated"),
    [
        (["H1", "H2", "h1"], [False, False, False]),
        (["H1", " H1", "H2"], [True, True, False]),
        (["", "H1", "H2"], [True, False, False]),
        (["H1", None, "H2"], [False, True, False]),
        (["Hé", "Hè", "H"], [False, False, False]),
    ],
)
def test_is_repeated_blank_or_padded_ids(
    tmp_path: Path, ids: list[str | None], repeated: list[bool]
) -> None:
    path = tmp_path / "heads.gpkg"
    frame = gpd.GeoDataFrame(
        {"head_id": ids}, geometry=[shapely.Point(k, 0) for k in range(len(ids))], crs="EPSG:32611"
    )
    pyogrio.write_dataframe(frame, path, layer="heads")
    layer = read_arrow_layer(path, "heads", HEADS, ProblemList())
    assert layer is not None
    assert is_repeated(layer, "head_id").tolist() == repeated


def test_is_repeated_across_the_pieces_of_a_table(tmp_path: Path) -> None:
    layer = read(written(heads(head_id=["A", "B", "C"]), tmp_path / "city.gpkg"))
    piece = layer.arrow.slice(1)
    in_pieces = dataclasses.replace(
        layer,
        arrow=pa.concat_tables([piece, layer.arrow.slice(0, 1)]),
        table=dataclasses.replace(layer.table, feature=np.arange(3)),
    )
    assert not is_repeated(in_pieces, "head_id").any()
    again = dataclasses.replace(in_pieces, arrow=pa.concat_tables([piece, layer.arrow.slice(2)]))
    assert is_repeated(again, "head_id").tolist() == [False, True, True]


@pytest.mark.parametrize("name", ["heads.gpkg", "heads.parquet"])
def test_coded_text_stretches_of_rows_that_say_the_same(tmp_path: Path, name: str) -> None:
    """In pieces of a table, across their edges, with gaps between and none at all."""
    zones = ["a", "a", "b", None, None, "a", "b", "b", " b", "", "c"]
    rows = np.arange(len(zones))
    table = gpd.GeoDataFrame(
        {"head_id": rows.astype(str), "zone": zones},
        geometry=gpd.points_from_xy(rows, rows),
        crs=CRS,
    )
    layer = read(written(table, tmp_path / name))
    expected = [(zone or "").strip() for zone in zones]
    assert coded_text(layer, "zone").texts().tolist() == expected
    for size in (1, 2, 3):
        pieces = [layer.arrow.slice(at, size) for at in range(0, len(zones), size)]
        in_pieces = dataclasses.replace(layer, arrow=pa.concat_tables(pieces))
        coded = coded_text(in_pieces, "zone")
        assert coded.texts().tolist() == expected
        assert len(set(coded.words)) == len(coded.words)
        assert coded.is_blank().tolist() == [text == "" for text in expected]
    assert (
        coded_text(dataclasses.replace(layer, arrow=layer.arrow.slice(0, 0)), "zone").code.size == 0
    )


@given(st.lists(st.text(max_size=3)), st.lists(st.text(max_size=3)))
def test_words_places_and_ranks_are_those_of_the_texts(known: list[str], asked: list[str]) -> None:
    known, asked = list(dict.fromkeys(known)), list(dict.fromkeys(asked))
    words = Words.of(asked)
    assert list(words) == asked
    assert words.places_in(Words.of(known)).tolist() == [
        known.index(text) if text in known else -1 for text in asked
    ]
    assert [asked[k] for k in np.argsort(words.ranks())] == sorted(asked)
    assert words.array().tolist() == asked
    assert words.is_blank().tolist() == [text == "" for text in asked]
