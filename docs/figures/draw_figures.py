"""Draw the figures of the explanation pages: ``python docs/figures/draw_figures.py``.

Every curve is computed by the package, so that a figure cannot differ from the program.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import matplotlib as mpl

mpl.use("svg")

import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.application_uniformity import low_quarter_uniformity
from geoirrig.physics.flow_routing import flow_graph
from geoirrig.physics.green_ampt import minutes_to_runoff_green_ampt, suction_deficit_mm
from geoirrig.physics.radial_distribution import relative_rate, trapezoid_profile
from geoirrig.physics.soil_properties import (
    GREEN_AMPT_SOILS,
    allowable_surface_accumulation_mm,
    basic_intake_rate_mm_h,
)
from geoirrig.physics.soil_spread import (
    INTAKE_LOG_SD,
    intake_factors,
    runoff_probability_surface_storage,
)
from geoirrig.physics.surface_storage import minutes_to_runoff
from geoirrig.physics.throw_on_slope import throw_ratio
from geoirrig.records import PrecipitationSurface, ZoneRate
from geoirrig.surfaces.precipitation_surface import event_in_turn
from geoirrig.surfaces.run_on_kernels import Ground
from geoirrig.surfaces.run_on_surface import followed_downhill
from geoirrig.units import MM_PER_INCH

FOLDER = Path(__file__).parent
LINES = ("#1c3d6e", "#2f86b0", "#b3662a", "#7d3a70")
DASHES = ("-", "--", "-.", ":")


def curves(axes: Axes, x: np.ndarray, named: dict[str, np.ndarray]) -> None:
    """Draw named curves that differ in colour and in dash."""
    for (name, y), colour, dash in zip(named.items(), LINES, DASHES, strict=False):
        axes.plot(x, y, dash, color=colour, label=name, linewidth=1.8)
    axes.legend(frameon=False)


def add_us_axis(axes: Axes) -> None:
    """Put inches per hour on the upper edge of an axis in mm/h."""
    upper = axes.secondary_xaxis(
        "top", functions=(lambda mm: mm / MM_PER_INCH, lambda inch: inch * MM_PER_INCH)
    )
    upper.set_xlabel("precipitation rate [in/h]")
    axes.set_xlabel("precipitation rate [mm/h]")


def radial_profiles(axes: Axes) -> None:
    """Rate over mean rate against distance, for the default shapes and their limits."""
    x = np.linspace(0.0, 1.1, 221)
    cores = {"wedge": 0.0, "rotating, a = 0.4": 0.4, "fixed spray, a = 0.6": 0.6}
    curves(axes, x, {name: relative_rate(trapezoid_profile(a), x) for name, a in cores.items()})
    axes.set_xlabel("distance / radius of throw")
    axes.set_ylabel("rate / mean rate of the sector")


def throw_on_slope(axes: Axes) -> None:
    """Throw on a slope over throw on the level, by bearing from uphill."""
    bearing = np.linspace(0.0, 180.0, 181)
    named = {
        f"{100 * s:.0f} %, trajectory {a:.0f}°": throw_ratio(s, bearing, a)
        for s, a in ((0.10, 25.0), (0.25, 25.0), (0.10, 15.0), (0.25, 15.0))
    }
    curves(axes, bearing, named)
    axes.set_xlabel("bearing from straight uphill [°]")
    axes.set_ylabel("throw / throw on the level")


def low_quarter(axes: Axes) -> None:
    """Cells of a head-to-head square of default sprays, sorted, with the low quarter."""
    centre = (np.arange(200) + 0.5) / 200
    east, north = np.meshgrid(centre, centre)
    field = np.sum(
        [
            relative_rate(trapezoid_profile(0.6), np.hypot(east - x, north - y))
            for x in (0, 1)
            for y in (0, 1)
        ],
        axis=0,
    )
    rates = np.sort(field.ravel())[100::200] / field.mean()  # enough for the curve
    share = (np.arange(rates.size) + 0.5) / rates.size
    axes.fill_between(share, rates, where=share <= 0.25, color=LINES[1], alpha=0.35)
    axes.plot(share, rates, color=LINES[0])
    axes.axhline(1.0, color="grey", linewidth=0.8)
    axes.text(0.02, 0.2, f"low quarter:\nDU {low_quarter_uniformity(field):.2f}")
    axes.set_ylim(0.0, None)
    axes.set_xlabel("share of the area, driest first")
    axes.set_ylabel("rate / mean rate")


def surface_storage_minutes(axes: Axes) -> None:
    """Minutes to runoff against rate, silty clay, by slope class."""
    rate = np.linspace(6.0, 50.0, 200)
    intake = basic_intake_rate_mm_h("silty_clay")
    named = {
        label: minutes_to_runoff(
            rate, intake, allowable_surface_accumulation_mm("silty_clay", slope)
        )
        for label, slope in (("0–3 %", 0.0), ("4–6 %", 5.0), ("7–12 %", 10.0), ("13 % +", 20.0))
    }
    curves(axes, rate, named)
    axes.set_ylim(0.0, 100.0)
    add_us_axis(axes)
    axes.set_ylabel("minutes to runoff, silty clay")


def green_ampt_minutes(axes: Axes) -> None:
    """Minutes to runoff against rate by Green-Ampt, soil half saturated, storage 2.5 mm."""
    rate = np.linspace(6.0, 50.0, 120)
    named = {}
    for texture in ("silt_loam", "loam", "clay_loam", "clay"):
        soil = GREEN_AMPT_SOILS[texture]
        deficit = suction_deficit_mm(
            soil.suction_mm, soil.effective_porosity, initial_saturation_fraction=0.5
        )
        minutes = minutes_to_runoff_green_ampt(rate, soil.conductivity_mm_h, deficit, 2.5)
        named[texture.replace("_", " ")] = np.where(np.isfinite(minutes), minutes, np.nan)
    curves(axes, rate, named)
    axes.set_ylim(0.0, 150.0)
    add_us_axis(axes)
    axes.set_ylabel("minutes to runoff, storage 2.5 mm")


def probability(axes: Axes) -> None:
    """Probability of runoff when 12.7 mm are given in one run, on a slope of 10 %."""
    rate = np.linspace(2.0, 50.0, 97)
    named = {}
    for texture in ("sandy_loam", "clay_loam", "clay"):
        soils = float(basic_intake_rate_mm_h(texture)) * intake_factors(log_sd=INTAKE_LOG_SD)
        storage = float(allowable_surface_accumulation_mm(texture, 10.0))
        named[texture.replace("_", " ")] = np.array(
            [
                runoff_probability_surface_storage([p], [60.0 * 12.7 / p], soils, storage)
                for p in rate
            ]
        )
    curves(axes, rate, named)
    axes.set_ylim(0.0, 1.0)
    add_us_axis(axes)
    axes.set_ylabel("runoff probability, 12.7 mm (0.5 in)")


def run_on(axes: Axes) -> None:
    """Water that soaks in along a slope of 20 cells, steady rain, two soils, no storage."""
    n_cells, rain = 20, np.float32(15.24)
    grid = RasterGrid(left_m=0.0, top_m=1.0, cell_size_m=1.0, n_rows=1, n_cols=n_cells)
    everywhere = np.ones(grid.shape, dtype=np.uint8)
    water = PrecipitationSurface(
        grid=grid,
        zone_rates=(
            ZoneRate(
                cell=np.arange(n_cells),
                rate_mm_h=np.full(n_cells, rain),
                heads_reaching=everywhere[0],
            ),
        ),
        precipitation_rate_mm_h=np.full(grid.shape, rain),
        main_zone=np.zeros(grid.shape, dtype=np.int32),
        heads_reaching=everywhere,
        head_on_target_fraction=np.ones(1),
    )
    east = np.full(grid.shape, 90.0, dtype=np.float32)
    flow = flow_graph(east, -np.arange(n_cells, dtype=float)[np.newaxis], everywhere > 0)
    soils = Ground(
        soil=np.repeat(np.int32([0, 1]), n_cells // 2),
        intake_mm_h=np.array([5.0, 30.0]),
        deficit_mm=np.zeros(2),
        storage_mm=np.zeros(n_cells),
        is_steady=True,
    )
    hour = event_in_turn(np.array([1]), np.array([60.0]), np.array([0.0]))
    with_flow = followed_downhill(water, hour, flow, soils, longest_step_minutes=1.0)
    cell = np.arange(1, n_cells + 1)
    alone = np.minimum(rain, soils.intake_mm_h[soils.soil])
    axes.bar(cell, with_flow.infiltrated_mm, color=LINES[1], width=0.8, label="with run-on")
    axes.step(cell, alone, where="mid", color=LINES[2], label="every cell alone", linewidth=1.8)
    axes.set_xticks([1, 5, 10, 15, 20])
    axes.set_xlabel("cell, from the top of the slope (intake 5, from cell 11 on 30 mm/h)")
    axes.set_ylabel("soaks in [mm/h], rain 15.24 mm/h")
    axes.legend(frameon=False)


FIGURES: tuple[Callable[[Axes], None], ...] = (
    radial_profiles,
    throw_on_slope,
    low_quarter,
    surface_storage_minutes,
    green_ampt_minutes,
    probability,
    run_on,
)


def draw_figures(folder: Path) -> None:
    """Draw every figure into a folder, as SVG without a date."""
    with plt.rc_context({"svg.hashsalt": "geoirrig", "font.size": 9.0}):
        for draw in FIGURES:
            figure, axes = plt.subplots(figsize=(5.2, 3.4), layout="constrained")
            axes.spines[["top", "right"]].set_visible(False)
            draw(axes)
            figure.savefig(folder / f"{draw.__name__}.svg", metadata={"Date": None})
            plt.close(figure)


if __name__ == "__main__":
    draw_figures(FOLDER)
