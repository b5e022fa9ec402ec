"""Units, ranges, ids and words of columns."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.errors import ProblemList
from geoirrig.io.column_values import (
    check_required_columns,
    filled_rows,
    named_ids,
    number_column,
    row_ids,
    text_column,
    texts,
)
from geoirrig.io.columns import HEADS, NOZZLES, TURF, LayerSchema
from geoirrig.io.open_layer import LayerTable
from geoirrig.units import KPA_PER_PSI, METRES_PER_FOOT


def table(schema: LayerSchema = HEADS, **columns: Any) -> LayerTable:
    arrays = {
        name: np.array(values, dtype=object if isinstance(values[0], (str, type(None))) else None)
        for name, values in columns.items()
    }
    n = len(next(iter(arrays.values())))
    return LayerTable(
        schema=schema,
        place=f"layer {schema.layer!r} of 'site.gpkg'",
        feature=np.arange(1, n + 1),
        columns=arrays,
    )


def test_number_column_converts_the_unit_that_the_name_states() -> None:
    problems = ProblemList()
    feet = number_column(table(head_id=["A"], radius_ft=[10.0]), "radius_m", problems)
    psi = number_column(table(head_id=["A"], pressure_psi=[30.0]), "pressure_kpa", problems)
    assert feet.tolist() == [10.0 * METRES_PER_FOOT]  # 3.048 m
    assert psi.tolist() == [30.0 * KPA_PER_PSI]
    assert problems == ProblemList()


def test_number_column_absent_is_nan_without_a_problem() -> None:
    problems = ProblemList()
    values = number_column(table(head_id=["A", "B"]), "radius_m", problems)
    assert np.isnan(values).all()
    assert problems == ProblemList()


def test_number_column_out_of_range_names_the_rows_in_their_unit() -> None:
    problems = ProblemList()
    heads = table(head_id=["A", "B", "C", "D", "E"], radius_ft=[-4.0, 0.0, 3.0, -1.0, -2.0])
    values = number_column(heads, "radius_m", problems)
    assert problems.problems == [
        "radius_ft must be greater than 0 ft; got -4.0 for head_id 'A', 0.0 for 'B', -1.0 for 'D' "
        "and 1 more. Correct layer 'heads' of 'site.gpkg'."
    ]
    assert np.isnan(values).tolist() == [True, True, False, True, True]


@pytest.mark.parametrize("name", ["radius_m", "flow_lpm", "pressure_kpa"])
def test_number_column_infinite_is_a_problem(name: str) -> None:
    problems = ProblemList()
    number_column(table(head_id=["A"], **{name: [np.inf]}), name, problems)
    assert problems.problems == [
        f"{name} must be a finite number; got inf for head_id 'A'. "
        "Correct layer 'heads' of 'site.gpkg'."
    ]


def test_number_column_as_text_is_parsed_and_junk_is_a_problem() -> None:
    problems = ProblemList()
    heads = table(head_id=list("ABCDE"), radius_m=["4.5", "", None, "4,5", "1_0"])
    values = number_column(heads, "radius_m", problems)
    assert values[0] == 4.5
    assert np.isnan(values[1:]).all()
    assert problems.problems == [
        "radius_m must be a number; got '4,5' for head_id 'D', '1_0' for 'E'. "
        "Correct layer 'heads' of 'site.gpkg'."
    ]


@pytest.mark.parametrize(("arc", "words"), [(0.0, "greater than 0"), (360.1, "at most 360")])
def test_number_column_arc_outside_its_range_is_a_problem(arc: float, words: str) -> None:
    problems = ProblemList()
    number_column(table(head_id=["A"], arc_deg=[arc]), "arc_deg", problems)
    assert problems.problems == [
        f"arc_deg must be {words}; got {arc} for head_id 'A'. Correct layer 'heads' of 'site.gpkg'."
    ]


def test_check_required_columns_two_spellings_are_a_problem() -> None:
    problems = ProblemList()
    check_required_columns(
        table(head_id=["A"], zone=["1"], radius_m=[3.0], radius_ft=[10.0]), problems
    )
    assert problems.problems == [
        "Layer 'heads' of 'site.gpkg' has 'radius_m' and 'radius_ft', two spellings of one "
        "quantity. Keep one of them."
    ]


def test_check_required_columns_quantity_without_unit_is_a_problem() -> None:
    problems = ProblemList()
    check_required_columns(
        table(head_id=["A"], zone=["1"], radius=[3.0], arc=[90.0], flow_lpm=[1.0], flow=[1.0]),
        problems,
    )
    assert problems.problems == [
        "Layer 'heads' of 'site.gpkg': column 'arc' names no unit. Rename it 'arc_deg', whichever "
        "it is.",
        "Layer 'heads' of 'site.gpkg': column 'radius' names no unit. Rename it 'radius_m' or "
        "'radius_ft', whichever it is.",
        "Layer 'heads' of 'site.gpkg' has 'flow' beside 'flow_lpm': one quantity twice, once "
        "without a unit. Keep the one with the unit.",
    ]


def test_check_required_columns_missing_names_spellings_and_what_looks_alike() -> None:
    problems = ProblemList()
    nozzles = table(NOZZLES, nozzle=["Q"], flow_gpm=[1.0], radius_cm=[450.0], pressure_kpa=[200.0])
    check_required_columns(nozzles, problems)
    assert problems.problems == [
        "Layer 'nozzles' of 'site.gpkg' has no column 'radius_m' or 'radius_ft'. Add it. Is "
        "'radius_cm' meant for it?"
    ]


def test_row_ids_duplicate_and_missing_are_problems() -> None:
    problems = ProblemList()
    ids = row_ids(table(head_id=["A", "A", None, " "]), problems)
    assert ids.tolist() == ["A", "A", "(feature 3)", "(feature 4)"]
    assert problems.problems == [
        "Layer 'heads' of 'site.gpkg': head_id is empty for feature 3, 4. Every row needs one.",
        "Layer 'heads' of 'site.gpkg': head_id must be unique; met more than once: 'A'. Give every "
        "row its own.",
    ]


def test_row_ids_that_differ_in_case_stay_apart() -> None:
    problems = ProblemList()
    assert row_ids(table(head_id=["a", "A"]), problems).tolist() == ["a", "A"]
    assert problems == ProblemList()


def test_text_column_unknown_word_names_the_nearest() -> None:
    problems = ProblemList()
    turf = table(TURF, turf_id=["T1", "T2"], soil_texture=["silty_clay_lome", "loam"])
    text_column(turf, "soil_texture", problems)
    message = problems.problems[0]
    assert "soil_texture must be one of sand, loamy_sand," in message
    assert "got 'silty_clay_lome' for turf_id 'T1'" in message
    assert "The nearest known is 'silty_clay_loam'." in message


def test_texts_whole_numbers_have_no_point() -> None:
    assert texts(np.array([1.0, 2.5, np.nan])).tolist() == ["1", "2.5", ""]
    assert texts(np.array([3, 4])).tolist() == ["3", "4"]
    assert texts(np.array([b"\xff", None, "x"], dtype=object)).tolist() == ["\ufffd", "", "x"]


def test_named_ids_counts_the_rest() -> None:
    heads = table(head_id=list("ABCDE"))
    assert named_ids(heads, np.ones(5, dtype=bool)) == "head_id 'A', 'B', 'C' and 2 more"


def test_filled_rows_takes_faulty_values_for_filled() -> None:
    heads = table(head_id=["A", "B", "C"], radius_m=["x", "", None])
    assert filled_rows(heads, "radius_m").tolist() == [True, False, False]


@given(st.lists(st.floats(0.1, 900.0), min_size=1, max_size=5))
def test_number_column_in_feet_equals_the_same_in_metres(feet: list[float]) -> None:
    ids = [str(k) for k in range(len(feet))]
    in_feet = number_column(table(head_id=ids, radius_ft=feet), "radius_m", ProblemList())
    metres = [value * 0.3048 for value in feet]
    in_metres = number_column(table(head_id=ids, radius_m=metres), "radius_m", ProblemList())
    np.testing.assert_allclose(in_feet, in_metres, rtol=1e-15)


@given(st.text(max_size=20))
def test_row_ids_any_text_comes_out_as_it_went_in(text: str) -> None:
    ids = row_ids(table(head_id=[text]), ProblemList())
    assert ids.tolist() == ([text] if text.strip() else ["(feature 1)"])
