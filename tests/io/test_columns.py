"""The input schema."""

from __future__ import annotations

import pytest

from geoirrig.io.columns import (
    HEADS,
    LAYERS,
    NOZZLES,
    TURF,
    NumberColumn,
    listed,
    nearest_hint,
    nearest_name,
)


def test_layers_are_those_of_the_interface() -> None:
    assert list(LAYERS) == [
        "heads",
        "turf",
        "nozzles",
        "profiles",
        "zones",
        "hardscape",
        "parcels",
        "catch_cans",
    ]


def test_spellings_of_measured_columns_name_every_unit() -> None:
    assert list(HEADS.number("radius_m").spellings) == ["radius_m", "radius_ft"]
    assert list(HEADS.number("flow_lpm").spellings) == ["flow_lpm", "flow_gpm"]
    assert list(HEADS.number("pressure_kpa").spellings) == [
        "pressure_kpa",
        "pressure_psi",
        "pressure_bar",
    ]
    assert list(NOZZLES.number("pressure_min_kpa").spellings) == [
        "pressure_min_kpa",
        "pressure_min_psi",
        "pressure_min_bar",
    ]
    assert list(TURF.number("root_depth_mm").spellings) == ["root_depth_mm", "root_depth_in"]
    assert list(LAYERS["profiles"].number("rate_mm_h").spellings) == ["rate_mm_h", "rate_in_h"]
    assert list(LAYERS["catch_cans"].number("depth_mm").spellings) == ["depth_mm", "depth_in"]
    assert list(HEADS.number("arc_deg").spellings) == ["arc_deg"]


@pytest.mark.parametrize(
    ("name", "has_units", "bare"),
    [
        ("radius_m", True, "radius"),
        ("arc_deg", False, "arc"),
        ("slope_pct", False, "slope"),
        ("run_minutes", False, None),
        ("unit_cost", False, None),
    ],
)
def test_unitless_name_of_column_is_what_a_user_forgets(
    name: str, has_units: bool, bare: str | None
) -> None:
    assert NumberColumn(name=name, has_units=has_units).unitless_name == bare


def test_number_of_a_text_column_is_refused() -> None:
    with pytest.raises(TypeError, match="zone of heads is text"):
        HEADS.number("zone")
    with pytest.raises(TypeError, match="arc_deg of heads is a number"):
        HEADS.text("arc_deg")


def test_nearest_name_ignores_case_and_finds_nothing_alike() -> None:
    assert nearest_name("Head_ID", ["zone", "head_id"]) == "head_id"
    assert nearest_name("lome", ["loam", "clay"]) == "loam"
    assert nearest_hint("qqqq", ["loam", "clay"]) == ""


def test_listed_many_names_counts_the_rest() -> None:
    assert listed([]) == "none"
    assert listed(["a"]) == "'a'"
    assert listed([str(k) for k in range(5)], at_most=3) == "'0', '1', '2' and 2 more"
    assert listed([str(k) for k in range(4)], at_most=3) == "'0', '1', '2' and '3'"
    assert len(listed(["x" * 500])) == 60
