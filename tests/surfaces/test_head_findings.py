"""What is said of each head."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.radial_distribution import trapezoid_profile
from geoirrig.records import AnalysisSettings, SprinklerLayout, ZonePlan
from geoirrig.surfaces.head_findings import head_evidence, matched_rate_spread_pct
from geoirrig.surfaces.precipitation_surface import precipitation_surface
from tests.surfaces.lattice import layout_of

GRID = RasterGrid(left_m=-10.0, top_m=20.0, cell_size_m=0.25, n_rows=120, n_cols=120)
ALL_TURF = np.ones(GRID.shape, dtype=bool)


def evidence_of(layout: SprinklerLayout, *, on_turf=ALL_TURF):
    plan = ZonePlan(
        zone=("A",),
        run_minutes=np.array([np.nan]),
        cycles=np.array([1]),
        soak_minutes=np.array([0.0]),
    )
    precipitation = precipitation_surface(layout, 1, GRID, on_turf=on_turf)
    return head_evidence(layout, plan, precipitation, AnalysisSettings())


def heads(x, y, **kwargs) -> SprinklerLayout:
    return layout_of(x, y, 10.0, profile=trapezoid_profile(0.6), **kwargs)


def test_head_evidence_spacing_equal_to_radius_is_head_to_head() -> None:
    found = evidence_of(heads([0.0, 5.0], [0.0, 0.0]))
    assert found.nearest_head_m.tolist() == [5.0, 5.0]
    assert found.head_to_head.tolist() == [True, True]
    assert found.finding.tolist() == ["", ""]
    # 10 L/min on π·25 m²: 600/78.54 = 7.639 mm/h.
    assert found.rate_mm_h == pytest.approx(600.0 / (np.pi * 25.0))


def test_head_evidence_stretched_spacing_reaches_no_other_head() -> None:
    found = evidence_of(heads([0.0, 6.1], [0.0, 0.0]))
    assert found.head_to_head.tolist() == [False, False]
    assert found.finding[0] == (
        "Reaches no other head: it throws 5.0 m (16.4 ft), the nearest head is 6.1 m (20.0 ft) "
        "away."
    )


def test_head_evidence_neighbour_outside_the_arc_does_not_count() -> None:
    # The second head stands to the east; the first waters from south (180) to west (270).
    found = evidence_of(
        heads([0.0, 4.0], [0.0, 0.0], arc_deg=[90.0, 360.0], start_bearing_deg=[180.0, 0.0])
    )
    assert found.head_to_head.tolist() == [False, True]
    assert "none stands in the arc" in found.finding[0]


def test_head_evidence_neighbour_on_the_edge_of_the_arc_counts() -> None:
    # Corner heads of a square: the neighbours stand exactly on the two edges of each arc.
    found = evidence_of(
        heads(
            [0.0, 5.0, 5.0, 0.0],
            [0.0, 0.0, 5.0, 5.0],
            arc_deg=90.0,
            start_bearing_deg=[0.0, 270.0, 180.0, 90.0],
        )
    )
    assert found.head_to_head.all()


def test_head_evidence_lone_head_has_no_neighbour_and_no_sentence() -> None:
    found = evidence_of(heads([0.0], [0.0]))
    assert np.isnan(found.nearest_head_m[0])
    assert found.finding.tolist() == [""]


def test_head_evidence_half_off_the_turf_says_how_much() -> None:
    on_turf = ALL_TURF.copy()
    on_turf[:, GRID.cell_centre_x_m() > 0.0] = False
    found = evidence_of(heads([0.0], [0.0]), on_turf=on_turf)
    assert found.finding[0] == "Throws past the turf edge: 50 % of its water lands off it."


@pytest.mark.parametrize(
    ("pressure", "sentence"),
    [
        (150.0, "Pressure 150 kPa (22 psi) is below the nozzle's lowest, 200 kPa (29 psi)"),
        (450.0, "Pressure 450 kPa (65 psi) is above the nozzle's highest, 400 kPa (58 psi)"),
    ],
)
def test_head_evidence_pressure_out_of_range_is_said(pressure: float, sentence: str) -> None:
    layout = dataclasses.replace(
        heads([0.0], [0.0]),
        pressure_kpa=np.array([pressure]),
        pressure_min_kpa=np.array([200.0]),
        pressure_max_kpa=np.array([400.0]),
    )
    assert evidence_of(layout).finding[0].startswith(sentence)


def test_head_evidence_unmatched_rate_and_mixed_devices_are_said() -> None:
    layout = dataclasses.replace(
        heads([0.0, 4.0, 8.0], [0.0, 0.0, 0.0]),
        flow_lpm=np.array([10.0, 10.0, 12.0]),
        device=np.array(["rotor", "rotor", "fixed_spray"], dtype=object),
    )
    found = evidence_of(layout)
    # 12/10 is 20 % over the usual 7.6 mm/h: 9.2 mm/h, 0.36 in/h.
    assert "Its rate of 9.2 mm/h (0.36 in/h) differs from the 7.6 mm/h (0.30 in/h) usual in" in str(
        found.finding[2]
    )
    assert all("Zone A mixes devices: fixed spray and rotor." in text for text in found.finding)
    # (12 − 10)/mean(10, 10, 12) = 2/10.667 = 18.75 %
    assert matched_rate_spread_pct(layout, found.rate_mm_h, 0) == pytest.approx(18.75)


def test_head_evidence_slow_rotation_with_much_water_is_said() -> None:
    # 7.639 mm/h × 1800 s = 3.82 mm a pass, more than the 2.54 mm that the poorest soil stores.
    layout = dataclasses.replace(heads([0.0], [0.0]), rotation_s=np.array([1800.0]))
    assert evidence_of(layout).finding[0].startswith("One pass brings 3.8 mm (0.15 in)")
