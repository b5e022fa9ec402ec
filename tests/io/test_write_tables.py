"""Result tables as records and as CSV."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from geoirrig.io.write_tables import table_records, totals_record, write_csv
from geoirrig.records import ResultTable
from geoirrig.units import LITRES_PER_US_GALLON


def table(**columns: np.ndarray) -> ResultTable:
    return ResultTable(name="schedule", columns=columns, geometry=None)


ROWS = table(
    zone=np.array(["A", 'with "quotes", comma'], dtype=object),
    net_depth_mm=np.array([25.4, np.nan]),
    cycles=np.array([3, None], dtype=object),
    run_minutes=np.array([0.1 + 0.2, 12.0]),
    height_mm=np.array(["25.4", "tall"], dtype=object),  # carried through, not of the results
)


def test_table_records_convert_result_columns_alone() -> None:
    first, _ = table_records(ROWS, "us")
    assert list(first) == ["zone", "net_depth_in", "cycles", "run_minutes", "height_mm"]
    assert first["net_depth_in"] == pytest.approx(1.0)
    assert first["height_mm"] == "25.4"


def test_totals_record_is_in_the_units_of_its_names() -> None:
    found = totals_record({"zone_count": 2, "runoff_l": 10.0 * LITRES_PER_US_GALLON}, "us")
    assert found == {"zone_count": 2, "runoff_gal": pytest.approx(10.0)}


def test_write_csv_missing_is_empty_and_numbers_read_back_as_they_were(tmp_path: Path) -> None:
    path = tmp_path / "schedule.csv"
    write_csv(path, ROWS, units="si")
    with path.open(encoding="utf-8", newline="") as stream:
        first, second = csv.DictReader(stream)
    assert float(first["run_minutes"]) == 0.1 + 0.2
    assert first["cycles"] == "3"
    assert second["zone"] == 'with "quotes", comma'
    assert second["net_depth_mm"] == second["cycles"] == ""


def test_write_csv_no_rows_keeps_the_heading(tmp_path: Path) -> None:
    path = tmp_path / "ranking.csv"
    write_csv(path, table(rank=np.empty(0, dtype=np.int64), runoff_l=np.empty(0)), units="si")
    assert path.read_text(encoding="utf-8").split() == ["rank,runoff_l"]
    write_csv(path, table(rank=np.empty(0, dtype=np.int64), runoff_l=np.empty(0)), units="us")
    assert path.read_text(encoding="utf-8").split() == ["rank,runoff_gal"]
