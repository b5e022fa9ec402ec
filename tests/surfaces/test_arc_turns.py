"""Advice on arcs, held against the engine that lays out the water."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from geoirrig.records import SiteInputs, SprinklerLayout
from geoirrig.surfaces.arc_turns import ArcAdvice, arc_advice, arc_findings
from geoirrig.surfaces.precipitation_surface import precipitation_surface
from tests.surfaces.small_lawn import heads, site_of, square, watered

NO_MATTER_HOW_DRY = 1e9
# The engine has a cell wholly in or out: along each edge of a sector of 24 cells radius, half a row
# of cells, of 452 cells in a quarter circle. Both edges the same way: 24/452 = 5 %; half of that.
SHARE_TOLERANCE = 0.03


def advice_of(inputs: SiteInputs, *, dry_area_m2: float = 0.5) -> ArcAdvice:
    site = watered(inputs)
    spare = site.depth_mm - 0.5 * np.append(site.zone_mean_depth_mm, np.inf)[
        site.precipitation.main_zone
    ]  # fmt: skip
    n_heads = len(inputs.layout.x_m)
    return arc_advice(
        inputs.layout,
        inputs.turf.geometry,
        site.cells.grid,
        np.arange(n_heads),
        spare_depth_mm=np.where(site.cells.turf_index >= 0, spare, np.nan).astype(np.float32),
        event_depth_mm=30.0 / 60.0 * site.event.run_minutes[inputs.layout.zone_index],
        dry_area_m2=dry_area_m2,
    )


def on_target(layout: SprinklerLayout, lawn: shapely.Geometry) -> np.ndarray:
    return watered(site_of(layout, lawn)).precipitation.head_on_target_fraction


@pytest.mark.parametrize("error_deg", [20.0, -20.0, 35.0, 8.0, 160.0])
def test_arc_advice_quarter_head_on_a_corner_is_turned_back(error_deg: float) -> None:
    layout, lawn = square()
    start = layout.start_bearing_deg.copy()
    start[0] = error_deg % 360.0
    found = advice_of(site_of(dataclasses.replace(layout, start_bearing_deg=start), lawn))
    assert found.turn_deg[0] == pytest.approx(-error_deg, abs=1.0)
    assert found.turn_deg[1:].tolist() == [0.0] * 3
    # Water is even by direction: of 90° as many are saved as it was off, at most all.
    assert found.saved_by_turning[0] == pytest.approx(min(abs(error_deg) / 90.0, 1.0), abs=0.02)
    assert found.arc_deg.tolist() == [90.0] * 4
    assert found.saved_by_narrowing.tolist() == [0.0] * 4


def test_arc_findings_say_the_angle_and_the_share() -> None:
    layout, lawn = square(start_bearing_deg=[20.0, 90.0, 180.0, 270.0])
    advice = advice_of(site_of(layout, lawn))
    (found,) = arc_findings(layout, np.arange(4), advice)
    assert found.kind == "arc_to_turn"
    assert found.severity == "high"
    assert found.sentence == (
        "Turn head H0 20° counter-clockwise: 22 % of its water then falls on turf instead of "
        "beside it. New start bearing: 0°."
    )
    assert found.measured_value == pytest.approx(20.0 / 90.0, abs=0.01)


def test_arc_advice_good_layout_is_left_alone() -> None:
    layout, lawn = square()
    found = advice_of(site_of(layout, lawn))
    assert arc_findings(layout, np.arange(4), found) == []
    assert found.start_bearing_deg.tolist() == layout.start_bearing_deg.tolist()


def test_arc_advice_half_head_on_a_corner_is_narrowed() -> None:
    layout, lawn = square(arc_deg=[180.0, 90.0, 90.0, 90.0])
    found = advice_of(site_of(layout, lawn))
    assert found.turn_deg[0] == 0.0
    assert found.arc_deg[0] == pytest.approx(90.0, abs=2.0)
    assert found.start_bearing_deg[0] % 359.0 == pytest.approx(0.0, abs=1.0)
    assert found.saved_by_narrowing[0] == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize(("x_m", "arc_deg", "start_deg"), [(0.0, 90.0, 0.0), (3.0, 180.0, 270.0)])
def test_arc_advice_full_circle_beside_the_turf_is_narrowed(
    x_m: float, arc_deg: float, start_deg: float
) -> None:
    found = advice_of(site_of(heads([x_m], [0.0], radius_m=3.0), shapely.box(0, 0, 6, 6)))
    assert found.arc_deg[0] == pytest.approx(arc_deg, abs=2.0)
    away = (found.start_bearing_deg[0] - start_deg + 180.0) % 360.0 - 180.0
    assert away == pytest.approx(0.0, abs=1.5)
    assert found.saved_by_narrowing[0] == pytest.approx(1.0 - arc_deg / 360.0, abs=0.02)


def test_arc_advice_head_far_from_any_turf_is_not_turned() -> None:
    found = advice_of(
        site_of(heads([3.0, 30.0], [3.0, 30.0], arc_deg=[360.0, 90.0]), shapely.box(0, 0, 6, 6))
    )
    assert found.turn_deg[1] == 0.0
    assert found.arc_deg[1] == 90.0


def test_arc_advice_dries_no_turf_that_only_this_head_waters() -> None:
    # A half head on the south edge of nothing: a patch in the north-west that it alone waters, and
    # a field in the south. Turned about, it would put all its water on the field.
    patch = affinity.rotate(shapely.box(-0.8, 3.0, 0.8, 5.0), 35.0, origin=(0, 0))
    lawn = shapely.union_all([patch, shapely.box(-8, -8, 8, 0)])
    site = site_of(heads([0.0], [0.0], arc_deg=180.0, start_bearing_deg=270.0), lawn)
    free = advice_of(site, dry_area_m2=NO_MATTER_HOW_DRY)
    held = advice_of(site)
    assert abs(free.turn_deg[0]) == pytest.approx(180.0, abs=1.0)
    # Of the patch of 3.2 m² less may fall dry than would be a dry spot, 0.5 m², and a rim of cells.
    bearing = np.radians(held.start_bearing_deg[0] + np.linspace(0.0, 180.0, 91))
    arc = shapely.Polygon([(0, 0), *zip(9.0 * np.sin(bearing), 9.0 * np.cos(bearing), strict=True)])
    assert patch.difference(arc).area <= 0.5 + 0.25 * 2.0
    assert 0.3 < held.saved_by_turning[0] < free.saved_by_turning[0]


@given(
    angle=st.floats(-180.0, 180.0), x_m=st.floats(0.0, 6.0), start=st.floats(0.0, 359.0),
    arc=st.sampled_from([60.0, 90.0, 120.0, 180.0, 225.5]),
)  # fmt: skip
@settings(max_examples=20, deadline=None)
def test_arc_advice_saves_what_the_engine_says(
    angle: float, x_m: float, start: float, arc: float
) -> None:
    lawn = affinity.rotate(shapely.box(0, 0, 9, 7), -angle, origin=(0, 0))
    east, north = np.radians(90.0 + angle), x_m  # along the lawn's south edge
    layout = heads(
        [north * np.sin(east)], [north * np.cos(east)], arc_deg=arc, start_bearing_deg=start
    )
    found = advice_of(site_of(layout, lawn), dry_area_m2=NO_MATTER_HOW_DRY)
    before = on_target(layout, lawn)[0]
    turned = dataclasses.replace(
        layout, start_bearing_deg=(layout.start_bearing_deg + found.turn_deg) % 360.0
    )
    assert on_target(turned, lawn)[0] - before == pytest.approx(
        found.saved_by_turning[0], abs=SHARE_TOLERANCE
    )
    # No turn in steps of 15° does better, and what does not pay by 5 % is not advised.
    others = [
        on_target(
            dataclasses.replace(
                layout, start_bearing_deg=(layout.start_bearing_deg + turn) % 360.0
            ),
            lawn,
        )[0]
        for turn in range(0, 360, 15)
    ]
    assert max(others) - before <= max(found.saved_by_turning[0], 0.05) + SHARE_TOLERANCE


@given(angle=st.floats(0.0, 360.0), error=st.sampled_from([-40.0, -15.0, 15.0, 40.0]))
@settings(max_examples=15, deadline=None)
def test_arc_advice_turns_with_the_site(angle: float, error: float) -> None:
    layout, lawn = square()
    corners = np.column_stack([layout.x_m, layout.y_m])
    places = shapely.get_coordinates(
        affinity.rotate(shapely.MultiPoint(corners), -angle, origin=(0, 0))
    )
    start = layout.start_bearing_deg + np.array([error, 0.0, 0.0, 0.0]) + angle
    turned = heads(places[:, 0], places[:, 1], arc_deg=90.0, start_bearing_deg=start % 360.0)
    found = advice_of(site_of(turned, affinity.rotate(lawn, -angle, origin=(0, 0))))
    assert found.turn_deg[0] == pytest.approx(-error, abs=1.0)
    assert found.turn_deg[1:].tolist() == [0.0] * 3


def test_arc_advice_does_not_depend_on_which_heads_are_asked_together() -> None:
    layout, lawn = square(start_bearing_deg=[20.0, 80.0, 180.0, 310.0])
    site = watered(site_of(layout, lawn))
    spare = np.where(site.cells.turf_index >= 0, 1.0, np.nan).astype(np.float32)

    def advised(chosen: list[int]) -> list[float]:
        found = arc_advice(
            layout, site.inputs.turf.geometry, site.cells.grid,
            np.array(chosen, dtype=np.int64), spare_depth_mm=spare,
            event_depth_mm=np.full(len(chosen), 12.7), dry_area_m2=0.5,
        )  # fmt: skip
        return found.turn_deg.tolist()

    assert advised([3, 0]) == advised([0, 1, 2, 3])[::-3]
    assert advised([]) == []


def test_precipitation_of_the_advised_arc_needs_less_water() -> None:
    layout, lawn = square(arc_deg=[180.0, 90.0, 90.0, 90.0])
    found = advice_of(site_of(layout, lawn))
    narrowed = dataclasses.replace(
        layout,
        arc_deg=found.arc_deg,
        start_bearing_deg=found.start_bearing_deg,
        flow_lpm=layout.flow_lpm * found.arc_deg / layout.arc_deg,
    )
    site = watered(site_of(layout, lawn))
    after = precipitation_surface(
        narrowed, 1, site.cells.grid, on_turf=site.cells.turf_index >= 0
    ).head_on_target_fraction
    wasted = layout.flow_lpm * (1.0 - site.precipitation.head_on_target_fraction)
    still = narrowed.flow_lpm * (1.0 - after)
    assert (wasted - still)[0] / layout.flow_lpm[0] == pytest.approx(
        found.saved_by_narrowing[0], abs=SHARE_TOLERANCE
    )
