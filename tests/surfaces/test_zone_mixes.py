"""Zones that one run time cannot suit."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely

from geoirrig.records import AnalysisSettings, SiteInputs
from geoirrig.surfaces.layout_finding import LayoutFinding
from geoirrig.surfaces.zone_mixes import zone_findings
from tests.surfaces.small_lawn import heads, site_of, square, watered


def said_of(inputs: SiteInputs, **settings: float) -> list[LayoutFinding]:
    site = watered(inputs)
    return zone_findings(inputs, site.cells, site.precipitation, AnalysisSettings(**settings))


def words(*values: str | None) -> np.ndarray:
    return np.array(values, dtype=object)


def two_lawns(**columns: object) -> SiteInputs:
    """A square of four heads over two polygons side by side, 4.5 and 1.5 m wide of 6."""
    layout, _ = square()
    west, east = shapely.box(0, 0, 4.5, 6), shapely.box(4.5, 0, 6, 6)
    return site_of(layout, west, east, **columns)


def test_zone_findings_even_zone_has_none() -> None:
    assert said_of(site_of(*square())) == []
    assert said_of(two_lawns()) == []


@pytest.mark.parametrize(
    ("columns", "kind", "said"),
    [
        (
            {"soil_texture": words("silty_clay_loam", "sand")},
            "mixed_soils",
            "Zone A waters several soils with one run time: silty clay loam (75 %) and sand (25 %) "
            "of its area.",
        ),
        (
            {"plant_type": words("cool_season_turf", "low_water_use")},
            "mixed_plants",
            "Zone A waters several plants with one run time: cool season turf (75 %) and low water "
            "use (25 %) of its area.",
        ),
        (
            {"attributes": {"sun": words("shade", "full sun")}},
            "mixed_sun",
            "Zone A waters several classes of sun with one run time: shade (75 %) and full sun "
            "(25 %) of its area.",
        ),
    ],
)
def test_zone_findings_mixed_ground_by_its_share(
    columns: dict[str, object], kind: str, said: str
) -> None:
    (found,) = said_of(two_lawns(**columns))
    assert (found.kind, found.sentence, found.severity) == (kind, said, "medium")
    assert found.measured_value == pytest.approx(0.25)  # 1.5 m of 6 m: 6 of 24 columns of cells
    assert found.value_unit == "1"
    assert found.zone == 0


def test_zone_findings_sun_that_is_not_stated_is_no_class() -> None:
    assert said_of(two_lawns(attributes={"sun": words("shade", None)})) == []
    assert said_of(two_lawns(attributes={"sun": words(" shade", "shade ")})) == []
    assert said_of(two_lawns(attributes={"sun": np.array([1.0, np.nan])})) == []


def test_zone_findings_small_share_is_none() -> None:
    layout, _ = square()
    # 0.25 of 6 m is 4 %, below 5 %.
    inputs = site_of(
        layout, shapely.box(0, 0, 5.75, 6), shapely.box(5.75, 0, 6, 6),
        soil_texture=words("loam", "sand"),
    )  # fmt: skip
    assert said_of(inputs) == []


def test_zone_findings_each_zone_on_its_own_soil_has_none() -> None:
    x, y = [0.0, 0.0, 6.0, 6.0, 20.0, 20.0, 26.0, 26.0], [0.0, 6.0, 6.0, 0.0] * 2
    layout = heads(x, y, zone_index=np.repeat([0, 1], 4))
    lawns = (shapely.box(0, 0, 6, 6), shapely.box(20, 0, 26, 6))
    assert said_of(site_of(layout, *lawns, soil_texture=words("loam", "sand"))) == []


def test_zone_findings_mixed_devices() -> None:
    layout, lawn = square(device=words("rotor", "fixed_spray", "rotor", ""))
    (found,) = said_of(site_of(layout, lawn))
    assert found.kind == "mixed_devices"
    assert found.measured_value == pytest.approx(1.0 / 3.0)  # of the heads whose kind is known
    assert (
        found.sentence == "Zone A mixes devices: rotor (67 %) and fixed spray (33 %) of its heads."
    )


def test_zone_findings_unmatched_rates() -> None:
    layout, lawn = square()
    uneven = dataclasses.replace(layout, flow_lpm=layout.flow_lpm * np.array([1.0, 1.0, 1.0, 1.4]))
    (found,) = said_of(site_of(uneven, lawn))
    # Rates of 30, 30, 30 and 42 mm/h: 12/33 = 36 % of their mean; the limit is 2 · 10 %.
    assert found.kind == "unmatched_rates"
    assert found.measured_value == pytest.approx(100.0 * 12.0 / 33.0)
    assert (found.limit_value, found.value_unit, found.severity) == (20.0, "%", "low")
    assert "run from 30.0 mm/h (1.18 in/h) to 42.0 mm/h (1.65 in/h): 36 % of" in found.sentence
    assert said_of(site_of(uneven, lawn), matched_rate_tolerance_pct=20.0) == []


@pytest.mark.parametrize(("supply_lpm", "word"), [(60.0, None), (56.0, "medium"), (50.0, "high")])
def test_zone_findings_flow_beyond_the_supply(supply_lpm: float, word: str | None) -> None:
    # Four quarters of a circle of 6 m radius at 30 mm/h: 0.5 L/min on each of π·36 m², 56.5 L/min.
    found = said_of(site_of(*square()), supply_lpm=supply_lpm)
    assert [(f.kind, f.severity) for f in found] == [("flow_beyond_supply", word)] * bool(word)
    for finding in found:
        assert finding.measured_value == pytest.approx(18.0 * np.pi)
        assert finding.limit_value == supply_lpm
        assert finding.sentence.startswith(
            "Zone A takes 56.5 L/min (14.9 US gal/min) with all of its heads (4) running; the "
        )


def test_zone_findings_lie_at_the_head_in_the_middle() -> None:
    layout = heads([0.0, 5.0, 12.0], [3.0, 3.0, 3.0])
    (found,) = said_of(site_of(layout, shapely.box(0, 0, 12, 6)), supply_lpm=1.0)
    assert (found.x_m, found.y_m) == (5.0, 3.0)
