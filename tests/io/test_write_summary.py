"""The summary is JSON that every parser accepts."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import numpy as np
import pytest

from geoirrig.io.write_summary import summary_text, write_summary
from tests.made_up_analysis import HOSTILE_ID


def refuse(constant: str) -> None:
    pytest.fail(f"{constant} is no JSON")


def test_write_summary_numbers_without_a_value_become_null(tmp_path: Path) -> None:
    summary = {
        "nan": float("nan"),
        "inf": [np.float32("inf"), -np.inf],
        "nat": np.datetime64("NaT"),
        "none": None,
    }
    write_summary(tmp_path / "summary.json", summary)
    read = json.loads((tmp_path / "summary.json").read_text("utf-8"), parse_constant=refuse)
    assert read == {"nan": None, "inf": [None, None], "nat": None, "none": None}


def test_write_summary_numpy_values_become_plain_ones(tmp_path: Path) -> None:
    summary = {
        "rank": np.int64(3),
        "share": np.float32(0.5),
        "flag": np.bool_(True),
        "rows": np.array([[1.0, np.nan]]),
        "pair": (1, "a"),
        "path": Path("a/b"),
        "date": dt.date(2024, 5, 1),
    }
    write_summary(tmp_path / "summary.json", summary)
    assert json.loads((tmp_path / "summary.json").read_text("utf-8")) == {
        "rank": 3,
        "share": 0.5,
        "flag": True,
        "rows": [[1.0, None]],
        "pair": [1, "a"],
        "path": "a/b",
        "date": "2024-05-01",
    }


def test_write_summary_text_comes_back_as_it_was(tmp_path: Path) -> None:
    texts = [HOSTILE_ID, "Wiese Süd", "line\nbreak", "\x00\x1b[31m", "</script>"]
    write_summary(tmp_path / "summary.json", {"texts": texts, HOSTILE_ID: 1})
    raw = (tmp_path / "summary.json").read_bytes()
    assert "Wiese Süd".encode() in raw
    assert json.loads(raw) == {"texts": texts, HOSTILE_ID: 1}


def test_write_summary_lone_surrogate_is_replaced(tmp_path: Path) -> None:
    write_summary(tmp_path / "summary.json", {"id": "a\udcff"})
    assert json.loads((tmp_path / "summary.json").read_bytes()) == {"id": "a?"}


def test_summary_text_keys_stay_in_order_and_are_indented_by_two() -> None:
    assert summary_text({"b": 1, "a": {"c": []}}) == '{\n  "b": 1,\n  "a": {\n    "c": []\n  }\n}'
