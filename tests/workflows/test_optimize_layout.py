"""Proposals: figures are those of an analysis, nothing gets worse, limits and refusals."""

from __future__ import annotations

import itertools
import re
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geoirrig.errors import InputError, ProblemList
from geoirrig.io.read_site import SiteSources
from geoirrig.workflows.analyze_site import analyze_site
from geoirrig.workflows.export_proposal import proposal_finding
from geoirrig.workflows.layout_proposal import proposal_tables
from geoirrig.workflows.load_site import LoadedSite, load_site
from geoirrig.workflows.nozzle_candidates import (
    CandidateOptions,
    NozzleTable,
    place_candidates,
    read_nozzle_table,
)
from geoirrig.workflows.optimize_layout import (
    WORTH_OF_HEADS,
    OptimizedSite,
    OptimizeOptions,
    optimize_layout,
)
from tests.io import site_builder as build

# Q, M and S are matched: 12 L/min over 6 m is 10.1 over 5.5 m and 8.3 over 5 m. H has half the
# rate.
NOZZLES = pd.DataFrame(
    {
        "nozzle": ["Q", "M", "S", "H"],
        "flow_lpm": [12.0, 10.1, 8.3, 6.0],
        "radius_m": [6.0, 5.5, 5.0, 6.0],
        "pressure_kpa": [200.0] * 4,
        "device": ["fixed_spray"] * 4,
    }
)
QUICK = OptimizeOptions(seconds_a_zone=60.0)
ALL_CANDIDATES = CandidateOptions(at_most=10**6, least_on_turf=0.0, reaches_neighbour=False)
_folder = tempfile.TemporaryDirectory(prefix="geoirrig-optimize-")
_number = itertools.count()


def loaded(**layers: Any) -> tuple[LoadedSite, NozzleTable]:
    path = Path(_folder.name) / f"site{next(_number)}.gpkg"
    build.write_site(path, build.good_layers(**{"nozzles": NOZZLES, **layers}))
    sources, problems = SiteSources(site=path), ProblemList()
    table = read_nozzle_table(sources, problems)
    site = load_site(sources, overrides={"cell_size_m": 0.25}, problems=problems)
    return site, table


def optimized(options: OptimizeOptions = QUICK, **layers: Any) -> OptimizedSite:
    site, table = loaded(**layers)
    return optimize_layout(site, table, options=options)


def reanalyzed(found: OptimizedSite, **layers: Any) -> dict[str, np.ndarray]:
    """Zone results of an analysis of the proposal, written to a file and read again."""
    heads, _, _ = proposal_tables(found)
    frame = gpd.GeoDataFrame(dict(heads.columns), geometry=list(heads.geometry), crs=build.CRS)
    site, _ = loaded(**{**layers, "heads": frame})
    return dict(analyze_site(site).table("zone_results").columns)


def two_zones() -> gpd.GeoDataFrame:
    """Two zones side by side on one lawn; one head of A and two of B throw short."""
    x = np.array([0.0, 0.0, 6.0, 6.0, 6.3, 6.3, 12.0, 12.0]) + build.X0
    y = np.array([0.0, 6.0, 6.0, 0.0] * 2) + build.Y0
    return gpd.GeoDataFrame(
        {
            "head_id": [f"H{k}" for k in range(8)],
            "zone": ["A"] * 4 + ["B"] * 4,
            "nozzle": ["S", "Q", "Q", "Q", "Q", "M", "Q", "S"],
            "arc_deg": [90.0] * 8,
            "start_bearing_deg": [0.0, 90.0, 180.0, 270.0] * 2,
        },
        geometry=gpd.points_from_xy(x, y),
        crs=build.CRS,
    )


def long_lawn() -> gpd.GeoDataFrame:
    return build.turf([shapely.box(build.X0, build.Y0, build.X0 + 12.3, build.Y0 + 6.0)])


# --- figures -------------------------------------------------------------------------------------


def test_proposal_figures_are_those_that_an_analysis_gives_on_it() -> None:
    heads = build.heads(nozzle=["S", "M", "S", "Q"])
    options = OptimizeOptions(flow_lpm=12.0, seconds_a_zone=60.0, candidates=ALL_CANDIDATES)
    found = optimized(options, heads=heads)
    (proof,) = found.proofs
    assert proof is not None
    assert found.after.du_lq[0] > found.before.du_lq[0] + 0.01
    again = reanalyzed(found)
    assert again["du_lq"][0] == pytest.approx(found.after.du_lq[0], abs=1e-6)
    assert again["flow_lpm"][0] == pytest.approx(found.after.flow_lpm[0], rel=1e-9)
    assert again["overspray_fraction"][0] == pytest.approx(
        found.after.overspray_fraction[0], abs=1e-6
    )
    assert again["runoff_l"][0] == pytest.approx(found.after.runoff_l[0], rel=1e-5)
    assert found.after.du_lq[0] <= proof.du_lq_bound <= found.after.du_lq[0] * 1.001


def test_proposal_of_two_zones_makes_neither_worse_and_keeps_the_limits() -> None:
    found = optimized(heads=two_zones(), turf=long_lawn())
    again = reanalyzed(found, turf=long_lawn())
    assert np.all(again["du_lq"] >= found.before.du_lq * (1.0 - 2e-6))
    assert np.all(again["flow_lpm"] <= found.before.flow_lpm * (1.0 + 1e-9))
    assert np.all(again["overspray_fraction"] <= found.before.overspray_fraction + 1e-6)
    assert again["runoff_l"].sum() <= found.before.runoff_l.sum() * (1.0 + 1e-5)
    assert again["du_lq"] == pytest.approx(found.after.du_lq, abs=1e-6)
    zones = proposal_tables(found)[2].columns
    assert np.all(zones["du_lq_before"] <= zones["du_lq_after"] * (1.0 + 2e-6))
    assert np.all(zones["du_lq_after"] <= zones["du_lq_bound"])
    assert np.all(zones["gap"] >= 0.0)


def test_proposal_turns_a_head_back_onto_the_lawn() -> None:
    # A quarter head in the south-west corner that looks half over the western edge.
    heads = build.heads(start_bearing_deg=[315.0, 90.0, 180.0, 270.0])
    found = optimized(heads=heads)
    assert found.proposal.start_bearing_deg[0] == pytest.approx(0.0, abs=1e-6)
    assert found.after.du_lq[0] > found.before.du_lq[0]
    assert found.after.overspray_fraction[0] < found.before.overspray_fraction[0]
    _, changes, _ = proposal_tables(found)
    row = changes.columns["head_id"].tolist().index("SW")
    assert changes.columns["old_start_bearing_deg"][row] == 315.0
    # nozzle, arc and radius stay: nothing to buy
    assert changes.columns["instruction"][row].startswith(
        "Keep nozzle Q and set it to arc 90° clockwise from bearing 0°, radius 6.0 m (19.7 ft)"
    )


def test_proposal_of_a_zone_that_waters_no_turf_today_is_told_in_words() -> None:
    # every quarter looks away from the lawn
    found = optimized(heads=build.heads(start_bearing_deg=[180.0, 270.0, 0.0, 90.0]))
    _, changes, zones = proposal_tables(found)
    assert np.isnan(zones.columns["du_lq_before"][0])
    said = proposal_finding(zones, changes)
    assert "none, no turf is watered, → " in said
    assert "nan" not in said
    assert "1 of 1 zones get more even" in said


def test_proposal_of_the_best_layout_is_that_layout() -> None:
    found = optimized()
    heads, changes, zones = proposal_tables(found)
    assert len(changes.columns["head_id"]) == 0
    assert zones.columns["changed_head_count"].tolist() == [0]
    assert heads.columns["nozzle"].tolist() == ["Q"] * 4
    assert zones.columns["du_lq_bound"][0] >= zones.columns["du_lq_after"][0] - 1e-6


def test_proposal_adds_the_missing_corner_head() -> None:
    heads = build.heads().iloc[1:].assign(note=["a", "b", "c"])  # the south-west corner has none
    options = OptimizeOptions(add_heads=1, runoff_may_rise=True, seconds_a_zone=60.0)
    found = optimized(options, heads=heads)
    layout = found.proposal
    assert len(layout.x_m) == 4
    assert found.after.du_lq[0] > found.before.du_lq[0] + 0.05
    assert np.hypot(layout.x_m[3] - build.X0, layout.y_m[3] - build.Y0) < 3.0
    table, changes, _ = proposal_tables(found)
    assert table.columns["head_id"].tolist()[:3] == ["NW", "NE", "SE"]
    assert table.columns["head_id"][3] == "NEW-1"
    assert table.columns["note"].tolist() == ["a", "b", "c", None]
    row = changes.columns["change"].tolist().index("add a head")
    # where it goes, from a head that stands: the distance is that of the points
    away_m, near = re.match(
        r"Set a new head ([\d.]+) m \([\d.]+ ft\) from (\w+) at bearing \d+°, with nozzle",
        changes.columns["instruction"][row],
    ).groups()
    place = table.columns["head_id"].tolist().index(near)
    assert float(away_m) == pytest.approx(
        shapely.distance(table.geometry[3], table.geometry[place]), abs=0.06
    )
    assert reanalyzed(found)["du_lq"][0] == pytest.approx(found.after.du_lq[0], abs=1e-6)


def test_heads_that_may_be_added_never_cost_evenness_nor_are_set_for_nothing() -> None:
    seconds = {"runoff_may_rise": True, "seconds_a_zone": 20.0}
    without = optimized(OptimizeOptions(**seconds))
    found = optimized(OptimizeOptions(add_heads=1, **seconds))
    gained = found.after.du_lq[0] - without.after.du_lq[0]
    n_added = len(found.proposal.x_m) - len(without.proposal.x_m)
    assert gained >= (WORTH_OF_HEADS if n_added else 0.0) - 1e-9


def test_proposal_carries_columns_and_states_each_quantity_once() -> None:
    heads = build.heads(
        nozzle=["S", "Q", "Q", "Q"], radius_ft=[np.nan] * 4, flow_gpm=[np.nan] * 4,
        wire=["red", "red", "blue", "blue"],
    )  # fmt: skip
    table, _, _ = proposal_tables(optimized(heads=heads))
    assert table.columns["wire"].tolist() == ["red", "red", "blue", "blue"]
    assert {"radius_ft", "flow_gpm"}.isdisjoint(table.columns)
    assert np.all(np.isfinite(table.columns["radius_m"]))


def test_proposal_does_not_let_more_run_off_unless_that_is_allowed() -> None:
    # One more head makes the lawn evener, but waters it faster than this loam takes in.
    heads = build.heads().iloc[1:]
    found = optimized(OptimizeOptions(add_heads=1, seconds_a_zone=60.0), heads=heads)
    assert found.after.runoff_l[0] <= found.before.runoff_l[0] * (1.0 + 1e-5)
    (proof,) = found.proofs
    assert proof is not None
    assert proof.put_back > 0
    assert "did not get the fitting that is most even" in build.only(list(found.warnings))


# --- limits --------------------------------------------------------------------------------------


def test_optimize_without_any_layout_names_the_limit_that_binds() -> None:
    with pytest.raises(InputError, match=r"Zone 'A': no choice .* limit on the flow of the zone\."):
        optimized(OptimizeOptions(flow_lpm=2.0, seconds_a_zone=60.0))


def test_optimize_never_lowers_evenness_to_keep_a_stated_limit() -> None:
    # 9 L/min is what four heads of nozzle S take: possible, but less even than 12 L/min of Q.
    with pytest.raises(InputError, match="less even than today"):
        optimized(
            OptimizeOptions(flow_lpm=9.0, seconds_a_zone=60.0, candidates=ALL_CANDIDATES),
            nozzles=NOZZLES.iloc[:3],
        )


def test_optimize_zone_off_the_turf_stays_and_is_told() -> None:
    far = gpd.GeoDataFrame(
        {"head_id": ["far"], "zone": ["Z"], "nozzle": ["Q"]},
        geometry=gpd.points_from_xy([build.X0 + 40.0], [build.Y0]),
        crs=build.CRS,
    )
    heads = pd.concat([build.heads(), far], ignore_index=True)
    found = optimized(heads=heads)
    assert found.proofs[1] is None
    assert found.warnings == ("Zone 'Z' has no turf to water; it stays as it is.",)
    assert len(found.proposal.x_m) == 5


# --- candidates ----------------------------------------------------------------------------------


def test_candidates_hold_what_stands_first_then_every_nozzle() -> None:
    site, table = loaded()
    turf = shapely.union_all(site.inputs.turf.geometry)
    layout, first = place_candidates(
        site.inputs.layout,
        table,
        turf,
        ALL_CANDIDATES,
        n_standing=4,
    )
    assert layout.nozzle[first[:-1]].tolist() == ["Q"] * 4
    assert set(layout.nozzle[first[0] : first[1]]) == {"Q", "M", "S", "H"}
    assert set(layout.arc_deg[first[0] : first[1]]) == {90.0, 180.0, 270.0, 360.0}
    quarter = (layout.nozzle == "M") & (layout.arc_deg == 90.0)
    assert layout.flow_lpm[quarter] == pytest.approx(10.1 / 4.0)


def test_candidates_of_an_adjustable_nozzle_have_several_radii_and_one_flow() -> None:
    site, table = loaded()
    turf = shapely.union_all(site.inputs.turf.geometry)
    quarter = replace(table.nozzles["Q"], radius_min_m=4.5)
    adjustable = NozzleTable(nozzles={"Q": quarter}, profiles={})
    layout, first = place_candidates(
        site.inputs.layout,
        adjustable,
        turf,
        ALL_CANDIDATES,
        n_standing=4,
    )
    own = slice(first[0], first[1])
    at_quarter = layout.arc_deg[own] == 90.0
    assert sorted(set(layout.radius_m[own])) == pytest.approx([4.5, 5.25, 6.0])
    assert set(layout.flow_lpm[own][at_quarter]) == {3.0}


@pytest.mark.parametrize(
    ("now", "new", "is_candidate"),
    [
        ("fixed_spray", "rotary_nozzle", True),
        ("rotary_nozzle", "fixed_spray", True),
        ("rotor", "rotor", True),
        ("rotor", "rotary_nozzle", False),
        ("fixed_spray", "rotor", False),
        ("", "rotor", True),
        ("rotor", "", True),
    ],
)
def test_candidates_fit_the_body_that_stands_there(now: str, new: str, is_candidate: bool) -> None:
    site, table = loaded()
    turf = shapely.union_all(site.inputs.turf.geometry)
    places = replace(site.inputs.layout, device=np.full(4, now, dtype=object))
    one = NozzleTable(nozzles={"M": replace(table.nozzles["M"], device=new)}, profiles={})
    layout, first = place_candidates(places, one, turf, ALL_CANDIDATES, n_standing=4)
    assert ("M" in layout.nozzle[first[0] : first[1]]) == is_candidate


def test_candidates_reach_the_next_head_or_as_far_as_any_does() -> None:
    """Heads 6 m apart: 5.5 m is near enough, 4.5 m is not, unless nothing throws farther."""
    site, table = loaded()
    turf = shapely.union_all(site.inputs.turf.geometry)
    quarter = table.nozzles["Q"]
    for radii, kept in (((4.5, 5.5, 6.0), {5.5, 6.0}), ((3.0, 4.5), {4.5})):
        nozzles = {
            str(radius): replace(quarter, radius_m=np.full(len(quarter.radius_m), radius))
            for radius in radii
        }
        layout, first = place_candidates(
            site.inputs.layout, NozzleTable(nozzles=nozzles, profiles={}), turf,
            CandidateOptions(at_most=10**6), n_standing=4,
        )  # fmt: skip
        assert set(layout.radius_m[first[0] + 1 : first[1]]) == kept


def test_candidates_are_not_aimed_off_the_turf() -> None:
    """A head in the corner of a lawn: of the quarters, only the one onto the lawn is tried."""
    site, table = loaded()
    turf = shapely.union_all(site.inputs.turf.geometry)
    layout, first = place_candidates(
        site.inputs.layout, table, turf, CandidateOptions(at_most=10**6), n_standing=4
    )
    for head in range(4):
        new = np.arange(first[head] + 1, first[head + 1])
        middle = np.deg2rad(layout.start_bearing_deg[new] + layout.arc_deg[new] / 2.0)
        ahead = shapely.points(
            layout.x_m[new] + 0.5 * np.sin(middle), layout.y_m[new] + 0.5 * np.cos(middle)
        )
        assert len(new)
        assert shapely.contains(turf, ahead).all()
        assert np.all(layout.arc_deg[new] <= 90.0)


def test_candidates_at_most_so_many_keep_those_on_the_turf() -> None:
    site, table = loaded()
    turf = shapely.union_all(site.inputs.turf.geometry)
    layout, first = place_candidates(
        site.inputs.layout,
        table,
        turf,
        CandidateOptions(at_most=4, reaches_neighbour=False),
        n_standing=4,
    )
    assert np.diff(first).max() <= 5
    assert np.all(layout.arc_deg == 90.0)


def test_candidates_leave_out_nozzles_whose_range_does_not_hold_the_pressure() -> None:
    low = NOZZLES.assign(
        pressure_min_kpa=[100.0, 250.0, 100.0, 100.0], pressure_max_kpa=[300.0] * 4
    )
    site, table = loaded(nozzles=low)
    turf = shapely.union_all(site.inputs.turf.geometry)
    layout, _ = place_candidates(site.inputs.layout, table, turf, CandidateOptions(), n_standing=4)
    assert "M" not in set(layout.nozzle)
