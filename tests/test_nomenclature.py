"""docs/nomenclature.md names every column that the program reads or writes."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from geoirrig.io.columns import LAYERS
from geoirrig.io.result_columns import RESULT_COLUMNS

PAGE = (Path(__file__).parents[1] / "docs" / "nomenclature.md").read_text(encoding="utf-8")
NAMES = set(re.findall(r"`([a-z0-9_]+)`", PAGE))


@pytest.mark.parametrize("layer", LAYERS)
def test_nomenclature_names_every_input_column(layer: str) -> None:
    assert layer in NAMES
    assert {column.name for column in LAYERS[layer].columns} - NAMES == set()


def test_nomenclature_names_every_result_column() -> None:
    assert set(RESULT_COLUMNS) - NAMES == set()


def test_nomenclature_units_match_the_suffixes_read() -> None:
    from geoirrig.units import UNITS

    stated = set(re.findall(r"`_([a-z0-9_]+)`", PAGE))
    assert set(UNITS) - stated == set()
