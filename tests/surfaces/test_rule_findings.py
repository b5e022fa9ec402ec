"""Rules held against hand-made sites: every quantity, met and not met, and missing inputs."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
import shapely

from geoirrig.errors import ProblemList
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.io.read_rules import built_in_rule_sets, read_rules
from geoirrig.physics.radial_distribution import trapezoid_profile
from geoirrig.records import (
    HardscapeAreas,
    PrecipitationSurface,
    ResultTable,
    SiteInputs,
    TerrainSurface,
    TurfAreas,
    WorkingPlane,
    ZonePlan,
    ZoneRate,
)
from geoirrig.rules import (
    CELL_CONDITIONS,
    KINDS,
    OBJECT_CONDITIONS,
    QUANTITIES,
    Rule,
    RuleCondition,
    RuleSet,
)
from geoirrig.surfaces import rule_measures
from geoirrig.surfaces.rule_findings import is_limit_met, rule_findings, rules_summary
from geoirrig.surfaces.turf_cells import turf_cells
from tests.surfaces.lattice import layout_of

IN_H, FT, PSI = 25.4, 0.3048, 6.894757293168361

# 12 × 10 cells of 1 m. Two lawns of 4 m × 10 m side by side from x = 0 and x = 6, a walk of 1 m
# from x = 4.  Zone A rains 20 mm/h on the first lawn and on the walk, zone B 10 mm/h on the other.
GRID = RasterGrid(left_m=0.0, top_m=10.0, cell_size_m=1.0, n_rows=10, n_cols=12)
LAWNS = (shapely.box(0, 0, 4, 10), shapely.box(6, 0, 10, 10))
WALK = shapely.box(4, 0, 5, 10)


def rule_of(quantity: str, limit: float, unit: str, **changes: Any) -> Rule:
    known = QUANTITIES[quantity]
    return Rule(
        **{
            "rule_id": quantity,
            "applies_to": known.scopes[0],
            "quantity": known,
            "comparison": "at_most",
            "limit_si": limit * KINDS[known.kind].to_si[unit],
            "where": (),
            "severity": "violation",
            "citation": "here",
            "is_from_memory": False,
            "text": "text",
            **changes,
        }
    )


def steeper_than(slope_pct: float) -> RuleCondition:
    return RuleCondition(quantity=CELL_CONDITIONS["slope"], comparison="above", value_si=slope_pct)


def within(distance_m: float) -> RuleCondition:
    return RuleCondition(
        quantity=CELL_CONDITIONS["hardscape_distance"], comparison="below", value_si=distance_m
    )


def of_device(word: str) -> RuleCondition:
    return RuleCondition(quantity=OBJECT_CONDITIONS["device"], comparison="is", word=word)


def set_of(*rules: Rule) -> RuleSet:
    return RuleSet(
        name="house",
        title="House",
        jurisdiction="here",
        document="letter",
        edition="1",
        citation="letter",
        note="Local code and licensed practice decide.",
        rules=rules,
    )


def findings(
    *rules: Rule,
    lawns: tuple[shapely.Polygon, ...] = LAWNS,
    texture: str = "clay_loam",
    compaction: str = "none",
    slope: np.ndarray | float = 10.0,
    rates: tuple[float, float] = (20.0, 10.0),
    walk: shapely.Polygon | None = WALK,
    heads: dict[str, Any] | None = None,
    columns: dict[str, Any] | None = None,
) -> ResultTable:
    """Findings on the site of two lawns, with something changed."""
    count = len(lawns)
    turf = TurfAreas(
        turf_id=np.array([f"T{n}" for n in range(count)], dtype=object),
        geometry=np.array(lawns, dtype=object),
        soil_texture=np.full(count, texture, dtype=object),
        compaction=np.full(count, compaction, dtype=object),
        slope_pct=np.full(count, np.nan),
        plant_type=np.full(count, "cool_season_turf", dtype=object),
        root_depth_mm=np.full(count, 150.0),
        attributes={},
    )
    cells = turf_cells(turf, GRID)
    layout = layout_of([1.0, 9.0], [5.0, 5.0], 5.0, profile=trapezoid_profile(0.6), radius_m=4.0)
    layout = dataclasses.replace(layout, zone_index=np.array([0, 1]), **(heads or {}))
    inputs = SiteInputs(
        plane=WorkingPlane(crs_wkt="", crs_name="", metres_per_unit=1.0),
        layout=layout,
        zone_plan=ZonePlan(
            zone=("A", "B"),
            run_minutes=np.full(2, np.nan),
            cycles=np.ones(2, dtype=np.int64),
            soak_minutes=np.zeros(2),
        ),
        turf=turf,
        hardscape=None
        if walk is None
        else HardscapeAreas(
            surface=np.array(["walk"], dtype=object), geometry=np.array([walk], dtype=object)
        ),
        parcels=None,
        catch_cans=None,
        terrain=None,
        files=(),
        warnings=(),
    )
    rate = np.zeros(GRID.shape, dtype=np.float32)
    rate[:, :5], rate[:, 6:10] = rates
    zone = np.full(GRID.shape, -1, dtype=np.int32)
    zone[:, :5], zone[:, 6:10] = 0, 1
    zone[rate == 0.0] = -1
    water = PrecipitationSurface(
        grid=GRID,
        zone_rates=tuple(
            ZoneRate(
                cell=np.flatnonzero(zone == number),
                rate_mm_h=rate[zone == number],
                heads_reaching=np.ones(np.count_nonzero(zone == number), dtype=np.uint8),
            )
            for number in range(2)
        ),
        precipitation_rate_mm_h=rate,
        main_zone=zone,
        heads_reaching=(zone >= 0).astype(np.uint8),
        head_on_target_fraction=np.ones(2),
    )
    on_turf = cells.turf_index >= 0
    steep = np.where(on_turf, np.broadcast_to(slope, GRID.shape), np.nan).astype(np.float32)
    wetness = [float(rate[cells.turf_index == n].mean()) for n in range(count)]
    tables = (
        ResultTable(
            name="turf_results",
            columns={
                "mean_rate_mm_h": np.array(wetness),
                "du_lq": np.full(count, 0.7),
                "runoff_fraction": np.linspace(0.0, 0.25, count),
            },
            geometry=shapely.multipolygons([[lawn] for lawn in lawns]),
            geometry_type="MultiPolygon",
        ),
        ResultTable(
            name="zone_results",
            columns={
                "du_lq": np.array([0.70, 0.60]),
                "matched_rate_spread_pct": np.array([4.0, 12.0]),
                "overspray_fraction": np.array([0.2, 0.0]),
                **(columns or {}),
            },
            geometry=shapely.multipolygons([[lawn] for lawn in LAWNS]),
            geometry_type="MultiPolygon",
        ),
        ResultTable(
            name="head_results",
            columns={"nearest_head_m": np.array([8.0, 3.0])},
            geometry=None,
        ),
    )
    terrain = TerrainSurface(grid=GRID, slope_pct=steep)
    return rule_findings([set_of(*rules)], inputs, cells, water, terrain, tables=tables)


def values(found: ResultTable) -> list[float]:
    return found.columns["measured_value"].tolist()


def test_every_quantity_has_a_measure() -> None:
    assert set(rule_measures._MEASURES) == set(QUANTITIES)


# --- rates ---------------------------------------------------------------------------------------


def test_application_rate_on_steep_turf_only() -> None:
    # Slope 30 % on the two western columns of the first lawn, 10 % elsewhere: 20 cells of 20 mm/h.
    slope = np.full(GRID.shape, 10.0)
    slope[:, :2] = 30.0
    rule = rule_of("application_rate", 0.75, "in/h", where=(steeper_than(25.0),))
    found = findings(rule, slope=slope)
    assert found.columns["zone"].tolist() == ["A"]  # zone B has no such turf
    assert values(found) == [20.0]
    assert found.columns["concerned_area_m2"].tolist() == [20.0]
    assert found.columns["is_met"].tolist() == [False]
    assert found.columns["measured"].tolist() == ["20.0 mm/h (0.79 in/h)"]
    assert found.columns["finding"].tolist() == [
        "Zone A, precipitation rate on the turf where steeper than 25 %: 20.0 mm/h (0.79 in/h), on "
        "20.0 m² (215 ft²). The limit is at most 19.0 mm/h (0.75 in/h)."
    ]
    assert found.geometry is not None
    assert found.geometry[0].equals(LAWNS[0])


@pytest.mark.parametrize(("rate_in_h", "is_met"), [(0.75, True), (0.7501, False), (0.5, True)])
def test_application_rate_on_the_limit_is_met(rate_in_h: float, is_met: bool) -> None:
    rule = rule_of("application_rate", 0.75, "in/h", where=(steeper_than(25.0),))
    found = findings(rule, slope=26.0, rates=(rate_in_h * IN_H, rate_in_h * IN_H))
    assert found.columns["is_met"].tolist() == [is_met, is_met]


def test_slope_on_the_limit_is_not_above_it() -> None:
    rule = rule_of("application_rate", 0.75, "in/h", where=(steeper_than(25.0),))
    assert values(findings(rule, slope=25.0)) == []


def test_application_rate_on_less_than_one_square_metre_does_not_count() -> None:
    slope = np.full(GRID.shape, 10.0)
    slope[0, 0] = 30.0
    rule = rule_of("application_rate", 0.75, "in/h", where=(steeper_than(25.0),))
    assert values(findings(rule, slope=slope)) == [20.0]  # 1 m² does
    measurement = rule_measures._area_measurement(0.99)
    assert (measurement.value_si, measurement.area_m2) == (0.0, 0.99)


def test_application_rate_of_turf_is_the_mean_of_its_cells() -> None:
    rule = rule_of("application_rate", 15.0, "mm/h", applies_to="turf")
    found = findings(rule)
    assert found.columns["turf_id"].tolist() == ["T0", "T1"]
    assert values(found) == [20.0, 10.0]
    assert found.columns["outcome"].tolist() == ["not met", "met"]
    assert found.columns["finding"].tolist()[1] == ""


def test_usda_ratio_of_the_worked_case() -> None:
    # Clay loam, 10 %, turf, 0.6 in/h: the limit is 0.12 in/h, ratio 5.0.
    rule = rule_of("usda_rate_ratio", 1.0, "1", severity="flag", is_from_memory=True)
    found = findings(rule, rates=(0.6 * IN_H, 0.1 * IN_H))
    assert values(found) == pytest.approx([5.0, 0.1 / 0.12])
    assert found.columns["outcome"].tolist() == ["flagged", "met"]
    assert found.columns["is_flag_only"].tolist() == [True, True]
    assert found.columns["finding"].tolist()[0] == (
        "Turf T0, precipitation rate over the USDA maximum for the soil and slope, with cover: "
        "5.00, on 40.0 m² (431 ft²). The limit is at most 1.00. A flag, not a violation. It gets "
        "15.2 mm/h (0.60 in/h) on the part of 8 to 12 % slope, where the table has 3.0 mm/h (0.12 "
        "in/h) for heavy clay or clay loam with cover. The rule is stated from memory: check it in "
        "the document."
    )


def test_usda_ratio_takes_the_worst_slope_class_and_the_subsoil() -> None:
    # Loam: 1.00 in/h on 2 %, 0.40 on 15 %; over compact subsoil 0.60 and 0.30; bare 0.50 and 0.20.
    slope = np.full(GRID.shape, 2.0)
    slope[:3] = 15.0
    cover, bare = (rule_of(name, 1.0, "1") for name in ("usda_rate_ratio", "usda_bare_rate_ratio"))
    rates = (0.5 * IN_H, 0.5 * IN_H)
    assert values(findings(cover, texture="loam", slope=slope, rates=rates))[0] == pytest.approx(
        1.25
    )
    compact = findings(cover, texture="loam", slope=slope, rates=rates, compaction="typical")
    assert values(compact)[0] == pytest.approx(0.5 / 0.3)
    assert values(findings(bare, texture="loam", slope=slope, rates=rates))[0] == pytest.approx(2.5)


# --- areas ---------------------------------------------------------------------------------------


def test_sprinkled_area_near_the_walk() -> None:
    # Zone A wets the walk's 10 cells and the column of turf west of it, 0.5 m away: 20 m².
    # Zone B's nearest column is 1.5 m away.
    found = findings(rule_of("sprinkled_area", 0.0, "ft2", where=(within(24 / 12 * FT),)))
    assert values(found) == [20.0, 0.0]
    assert found.columns["outcome"].tolist() == ["not met", "met"]
    assert found.columns["finding"].tolist()[0] == (
        "Zone A, ground that sprinklers wet within 0.61 m (2.0 ft) of hardscape: 20.0 m² "
        "(215 ft²). None is allowed."
    )
    wider = findings(rule_of("sprinkled_area", 0.0, "m2", where=(within(1.6),)))
    assert values(wider) == [30.0, 10.0]


def test_sprinkled_area_on_the_walk_itself() -> None:
    found = findings(rule_of("sprinkled_area", 0.0, "ft2", where=(within(0.0),)))
    assert values(found) == [10.0, 0.0]
    assert "wet on hardscape: 10.0 m²" in found.columns["finding"].tolist()[0]


def test_sprinkled_area_and_turf_area_of_steep_polygons() -> None:
    slope = np.full(GRID.shape, 30.0)
    slope[:, 6:] = 5.0
    where = (steeper_than(25.0),)
    wet = rule_of("sprinkled_area", 0.0, "m2", applies_to="turf", where=where)
    turf = rule_of("turf_area", 0.0, "m2", where=where)
    found = findings(wet, turf, slope=slope)
    assert values(found) == [40.0, 0.0, 40.0, 0.0]
    dry = findings(wet, turf, slope=slope, rates=(0.0, 10.0))
    assert values(dry) == [0.0, 0.0, 40.0, 0.0]


def test_two_conditions_hold_together() -> None:
    # Steep rows 0 to 4, and within 2 m of the walk columns 2 and 3: 10 cells.
    slope = np.full(GRID.shape, 5.0)
    slope[:5] = 12.0
    rule = rule_of("application_rate", 15.0, "mm/h", where=(steeper_than(10.0), within(2.0)))
    found = findings(rule, slope=slope)
    assert found.columns["zone"].tolist() == ["A", "B"]
    assert found.columns["concerned_area_m2"].tolist() == [10.0, 5.0]


# --- widths --------------------------------------------------------------------------------------


def width(feet: float) -> Rule:
    return rule_of("narrowest_width", feet, "ft", comparison="at_least")


def test_narrowest_width_of_a_lawn_with_an_arm() -> None:
    # A lawn of 4 m × 10 m, an arm of 2 m × 3 m out of it.
    arm = shapely.union_all([LAWNS[0], shapely.box(4, 2, 7, 4)])
    found = findings(width(10), width(8), width(4), lawns=(arm,))
    assert found.columns["outcome"].tolist() == ["not met", "not met", "met"]
    assert values(found)[:2] == pytest.approx([2.0, 2.0], abs=0.03)
    assert found.columns["measured"].tolist()[2] == "1.22 m (4.0 ft) or more"
    assert math.isnan(values(found)[2])
    assert found.geometry is not None
    assert shapely.box(4, 2, 7, 4).buffer(1e-6).contains(found.geometry[0])
    assert found.geometry[2].equals(arm)


@pytest.mark.parametrize(
    ("width_m", "outcome"), [(10 * FT, "met"), (10 * FT - 0.02, "not met"), (3.5, "met")]
)
def test_narrowest_width_of_a_strip_on_the_limit(width_m: float, outcome: str) -> None:
    found = findings(width(10), lawns=(shapely.box(0, 0, width_m, 10),))
    assert found.columns["outcome"].tolist() == [outcome]


def test_narrowest_width_neighbours_count_as_one_and_dry_turf_does_not_count() -> None:
    halves = (shapely.box(0, 0, 2, 10), shapely.box(2, 0, 4, 10))
    assert findings(width(10), lawns=halves).columns["outcome"].tolist() == ["met", "met"]
    dry = findings(width(10), lawns=(halves[0],), rates=(0.0, 10.0))
    assert values(dry) == []


# --- heads and zones -----------------------------------------------------------------------------


def test_head_setback_and_spacing() -> None:
    # Heads at x = 1 and x = 9, the walk from 4 to 5: 3 m and 4 m. Spacing 8 and 3 m over 4 m.
    setback = rule_of("head_setback", 4, "in", comparison="at_least")
    found = findings(setback, rule_of("spacing_ratio", 1.1, "1"))
    assert values(found) == [3.0, 4.0, 2.0, 0.75]
    assert found.columns["is_met"].tolist() == [True, True, False, True]
    on_walk = findings(setback, heads={"x_m": np.array([4.5, 5.05])})
    assert values(on_walk) == pytest.approx([0.0, 0.05])
    assert on_walk.columns["measured"].tolist() == ["0 mm (0.0 in)", "50 mm (2.0 in)"]
    assert on_walk.columns["value_unit"].tolist() == ["m", "m"]
    assert on_walk.columns["is_met"].tolist() == [False, False]


def test_pressures() -> None:
    heads = {
        "pressure_kpa": np.array([25.0, 40.0]) * PSI,
        "pressure_min_kpa": np.array([30.0, 30.0]) * PSI,
        "pressure_max_kpa": np.array([50.0, np.nan]) * PSI,
        "device": np.array(["fixed_spray", "rotor"], dtype=object),
    }
    spray = (of_device("fixed_spray"),)
    found = findings(
        rule_of("heads_outside_pressure_range", 0, "1"),
        rule_of("lowest_pressure", 30, "psi", comparison="at_least", where=spray),
        rule_of("highest_pressure", 45, "psi"),
        heads=heads,
    )
    assert found.columns["zone"].tolist() == ["A", "B", "A", "A", "B"]
    assert found.columns["is_met"].tolist() == [False, True, False, True, True]
    assert found.columns["measured"].tolist()[2] == "172 kPa (25 psi)"
    assert found.columns["finding"].tolist()[2] == (
        "Zone A, lowest pressure at a head (fixed spray): 172 kPa (25 psi). The limit is at least "
        "207 kPa (30 psi)."
    )


def test_uniformity_by_device() -> None:
    heads = {"device": np.array(["rotor", "fixed_spray"], dtype=object)}
    rotor = rule_of(
        "low_quarter_uniformity", 75, "percent", comparison="at_least", where=(of_device("rotor"),)
    )
    found = findings(rotor, heads=heads)
    assert found.columns["zone"].tolist() == ["A"]
    assert values(found) == [0.7]
    assert found.columns["is_met"].tolist() == [False]
    unknown = findings(rotor, heads={"device": np.array(["rotor", ""], dtype=object)})
    assert unknown.columns["outcome"].tolist() == ["not met", "not evaluated"]
    assert "the device of some of its heads is not known" in unknown.columns["finding"].tolist()[1]


def test_columns_of_the_result_tables() -> None:
    found = findings(
        rule_of("low_quarter_uniformity", 0.65, "1", comparison="at_least"),
        rule_of("matched_rate_spread", 10, "percent"),
        rule_of("overspray_fraction", 5, "percent"),
        rule_of("runoff_fraction", 0, "1"),
        columns={"du_lq": np.array([0.65, np.nan])},
    )
    # Zone B serves no turf: nothing to hold against it. Then 4 and 12 %, 20 and 0 %, 0 and 25 %.
    assert values(found) == [0.65, 4.0, 12.0, 0.2, 0.0, 0.0, 0.25]
    assert found.columns["is_met"].tolist() == [True, True, False, False, True, True, False]


def test_lowest_riser_of_the_carried_column_in_any_unit() -> None:
    rule = rule_of("lowest_riser", 4, "in", comparison="at_least")
    feet = {"attributes": {"riser_ft": np.array([0.2, 0.5])}}
    found = findings(rule, heads=feet)
    assert values(found) == pytest.approx([0.06096, 0.1524])
    assert found.columns["is_met"].tolist() == [False, True]
    nominal = {"attributes": {"riser_m": np.array(["0.1", None], dtype=object)}}
    found = findings(rule, heads=nominal)
    assert found.columns["outcome"].tolist() == ["met", "not evaluated"]  # 100 mm is a 4 in head


# --- what is missing -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rule", "reason"),
    [
        (rule_of("head_setback", 4, "in", comparison="at_least"), "the site has no hardscape"),
        (rule_of("sprinkled_area", 0, "m2", where=(within(0.6),)), "the site has no hardscape"),
        (rule_of("lowest_pressure", 30, "psi"), "no head or nozzle states a pressure"),
        (rule_of("heads_outside_pressure_range", 0, "1"), "no head or nozzle states a pressure"),
        (rule_of("lowest_riser", 4, "in", comparison="at_least"), "no head states riser_m"),
        (
            rule_of("low_quarter_uniformity", 0.7, "1", where=(of_device("rotor"),)),
            "no nozzle states its device",
        ),
    ],
)
def test_missing_input_is_said_once_and_not_passed(rule: Rule, reason: str) -> None:
    found = findings(rule, walk=None)
    assert found.columns["outcome"].tolist() == ["not evaluated"]
    assert found.columns["is_met"].tolist() == [None]
    assert found.columns["zone"].tolist() == [None]
    assert found.columns["measured"].tolist() == [None]
    sentence = found.columns["finding"].tolist()[0]
    assert sentence.startswith("The site, ")
    assert f": not evaluated, since {reason}" in sentence
    assert found.geometry is not None
    assert found.geometry[0].is_empty


def test_range_of_pressure_missing_while_pressures_are_known() -> None:
    rule = rule_of("heads_outside_pressure_range", 0, "1")
    found = findings(rule, heads={"pressure_kpa": np.array([200.0, 200.0])})
    assert "no nozzle states pressure_min_kpa" in found.columns["finding"].tolist()[0]


# --- summary and built-in sets -------------------------------------------------------------------


def test_rules_summary_counts_outcomes_and_names_rules_without_a_case() -> None:
    rules = (
        rule_of("matched_rate_spread", 10, "percent", severity="flag", is_from_memory=True),
        rule_of("turf_area", 0, "m2", where=(steeper_than(25.0),)),
        rule_of("application_rate", 1, "in/h", where=(steeper_than(25.0),)),
        rule_of("lowest_riser", 4, "in", comparison="at_least"),
    )
    (summary,) = rules_summary([set_of(*rules)], findings(*rules))
    assert summary["caution"] == "Local code and licensed practice decide, not this check."
    counts = {key: value for key, value in summary.items() if key.endswith("_count")}
    assert counts == {
        "rule_count": 4,
        "from_memory_count": 1,
        "met_count": 3,  # the spread of zone A, no steep turf in both lawns
        "not_met_count": 0,
        "flagged_count": 1,
        "not_evaluated_count": 1,
    }
    assert summary["rules_without_case"] == ["application_rate"]


def test_every_built_in_rule_is_evaluated_or_says_why_not() -> None:
    problems = ProblemList()
    sets = read_rules(built_in_rule_sets(), problems)
    rules = [rule for rule_set in sets for rule in rule_set.rules]
    found = findings(*rules, slope=30.0)
    assert {rule.rule_id for rule in rules} == set(found.columns["rule"].tolist())
    assert all(
        bool(sentence) != bool(met)
        for sentence, met in zip(
            found.columns["finding"].tolist(), found.columns["is_met"].tolist(), strict=True
        )
    )
    assert all(citation for citation in found.columns["citation"].tolist())


def test_no_rules_give_an_empty_layer() -> None:
    assert values(findings()) == []


def test_is_limit_met_rounding_and_the_tolerance_of_lengths() -> None:
    rate = rule_of("application_rate", 0.75, "in/h")
    assert is_limit_met(float(np.float32(19.05)), rate)
    short = rule_of("head_setback", 4, "in", comparison="at_least")
    assert is_limit_met(0.0917, short)
    assert not is_limit_met(0.0915, short)
