"""The pictures of an analysis: what stands on them, and that it is true."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
import shapely
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure
from matplotlib.image import AxesImage, imread
from matplotlib.text import Text

import geoirrig
from geoirrig.maps import site_map
from geoirrig.maps.map_layers import MOST_DRAWN_CELLS, drawn_path
from geoirrig.maps.page import PAGE_HEIGHT_PX, PAGE_WIDTH_PX, Page
from geoirrig.maps.site_map import draw_maps
from geoirrig.records import ResultTable, SiteAnalysis
from geoirrig.symbology import HARDSCAPE_COLOUR, RUNOFF_6
from tests.made_up_analysis import HOSTILE_ID, MadeUp, made_up

MAPS = ("map_precipitation.png", "map_coverage.png", "map_runoff_risk.png")


@pytest.fixture
def pages(monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, Page]]:
    """The pages that were drawn, by file name, and not saved."""
    drawn: dict[str, Page] = {}

    def keep(page: Page, path: Path, *, title: str) -> None:
        drawn[path.name] = page

    monkeypatch.setattr(site_map, "save_page", keep)
    return drawn


def texts(figure: Figure) -> list[str]:
    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


def draw(site: MadeUp, folder: Path, units="si") -> None:
    draw_maps(folder, site.inputs, site.analysis, units=units)


def pixels(path: Path) -> np.ndarray:
    """Red, green and blue of a picture, 0 to 255, shape (height, width, 3)."""
    return np.round(imread(path)[:, :, :3] * 255).astype(int)


def of_colour(picture: np.ndarray, colour: str) -> np.ndarray:
    return np.all(picture == [*bytes.fromhex(colour[1:])], axis=-1)


def with_raster(analysis: SiteAnalysis, name: str, values: np.ndarray) -> SiteAnalysis:
    rasters = tuple(
        replace(raster, values=values) if raster.name == name else raster
        for raster in analysis.rasters
    )
    return replace(analysis, rasters=rasters)


@pytest.mark.parametrize("units", ["si", "us"])
def test_draw_maps_three_landscape_pictures(tmp_path: Path, units) -> None:
    draw(made_up(), tmp_path, units)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(MAPS)
    for name in MAPS:
        assert imread(tmp_path / name).shape[:2] == (PAGE_HEIGHT_PX, PAGE_WIDTH_PX)


@pytest.mark.parametrize(("units", "length_m"), [("si", 10.0), ("us", 15.24)])
def test_draw_maps_scale_bar_is_true_to_the_ground(tmp_path: Path, units, length_m) -> None:
    # The hardscape strip is 60 m long and nothing lies on its lowest row of pixels but its ends.
    # 40 m on 714 px of height are 0.0560 m/px: in 300 px there is room for 16.8 m, so 10 m, and
    # for 55 ft, so 50 ft, which are 15.24 m.
    draw(made_up(heads_across=1, heads_down=1), tmp_path, units)
    picture = pixels(tmp_path / "map_precipitation.png")
    strip_px = of_colour(picture, HARDSCAPE_COLOUR)[:, :1150].sum(axis=1).max()
    row = picture[PAGE_HEIGHT_PX - 196 - 14 - 5, 50:500].sum(axis=-1)
    dark = np.flatnonzero(row < 300)
    bar_px = dark[-1] - dark[0]
    assert bar_px / strip_px == pytest.approx(length_m / 60.0, abs=2.0 / strip_px)


@pytest.mark.parametrize(
    ("units", "headings", "cell"),
    [
        ("si", ("Precipitation rate [mm/h]", "10 m"), "cell 0.5 m"),
        ("us", ("Precipitation rate [in/h]", "50 ft"), "cell 1.64 ft"),
    ],
)
def test_draw_maps_legend_and_bar_are_in_the_chosen_units(
    tmp_path: Path, pages: dict[str, Page], units, headings, cell
) -> None:
    draw(made_up(), tmp_path, units)
    found = texts(pages["map_precipitation.png"].figure)
    for heading in headings:
        assert heading in found
    assert any(cell in text for text in found)


def test_draw_maps_each_has_arrow_cautions_version_and_caption(
    tmp_path: Path, pages: dict[str, Page]
) -> None:
    draw(made_up(), tmp_path)
    for page in pages.values():
        found = " ".join(texts(page.figure))
        for part in (
            "grid north",
            "Cautions: Runoff onto walks can pond and freeze",
            "no licensed design",
            f"geoirrig {geoirrig.__version__}",
            "WGS 84 / UTM zone 10N",
            "Colour: ",
        ):
            assert part in found


@pytest.mark.parametrize(
    ("units", "sentences"),
    [
        # Invented zones: mean rates 8 to 44 mm/h, 0.315 to 1.73 in/h. A dry spot of 3.6 m by 4 m
        # is 14.4 m² or 155 ft²; 121.9 L are 32.2 US gal; 12 m by 8 m are 96 m² or 1,033 ft²;
        # 419 L are 110.7 US gal.
        (
            "si",
            (
                "54 heads in 6 zones. Mean rate of a zone: 8 mm/h to 44 mm/h.",
                "1 dry spot (14.4 m² in all); 1 oversprayed place (122 L per event); "
                "8 heads with a finding.",
                "1 runoff hotspot (96 m² in all, 419 L per event). "
                "Most runs off turf “bank”: 419 L per event.",
            ),
        ),
        (
            "us",
            (
                "54 heads in 6 zones. Mean rate of a zone: 0.315 in/h to 1.73 in/h.",
                "1 dry spot (155 ft² in all); 1 oversprayed place (32.2 US gal per event); "
                "8 heads with a finding.",
                "1 runoff hotspot (1,033 ft² in all, 111 US gal per event). "
                "Most runs off turf “bank”: 111 US gal per event.",
            ),
        ),
    ],
)
def test_draw_maps_findings_are_summed_up_in_a_sentence(
    tmp_path: Path, pages: dict[str, Page], units, sentences
) -> None:
    draw(made_up(), tmp_path, units)
    for name, sentence in zip(MAPS, sentences, strict=True):
        assert sentence in " ".join(texts(pages[name].figure))


def test_draw_maps_without_findings_say_so_and_leave_them_out_of_the_legend(
    tmp_path: Path, pages: dict[str, Page]
) -> None:
    draw(made_up(with_findings=False), tmp_path)
    found = texts(pages["map_coverage.png"].figure)
    assert "No dry spots; no oversprayed places; 8 heads with a finding." in found
    assert "dry spot" not in found
    assert "No runoff hotspots" in " ".join(texts(pages["map_runoff_risk.png"].figure))


@pytest.mark.parametrize("units", ["si", "us"])
def test_draw_maps_no_text_leaves_the_page_or_lies_on_the_map_frame(
    tmp_path: Path, pages: dict[str, Page], units
) -> None:
    site = made_up(turf_id=HOSTILE_ID)
    cautions = tuple(f"Caution number {number} in some words of its own." for number in range(40))
    draw(replace(site, analysis=replace(site.analysis, cautions=cautions)), tmp_path, units)
    for page in pages.values():
        frame_px = page.figure.axes[1].get_window_extent()
        for text in page.sheet.texts:
            box = text.get_window_extent()
            assert box.x0 >= 0
            assert box.y0 >= 0
            assert box.x1 <= PAGE_WIDTH_PX
            assert box.y1 <= PAGE_HEIGHT_PX
            inside = frame_px.x0 < box.x0 and box.x1 < frame_px.x1 and box.y1 < frame_px.y1
            assert inside or not box.overlaps(frame_px), text.get_text()
        boxes = [text.get_window_extent() for text in page.sheet.texts]
        for number, box in enumerate(boxes):
            for other in boxes[:number]:
                # Line boxes include room for accents, so they may touch by a pixel or two.
                assert min(box.y1, other.y1) - max(box.y0, other.y0) < 4 or not box.overlaps(other)


def test_draw_maps_ids_are_drawn_as_text(tmp_path: Path, pages: dict[str, Page]) -> None:
    site = made_up(turf_id=HOSTILE_ID, heads_across=3, heads_down=2)
    hostile = (r"$\frac{1}{0}$", "a\nb\x1b[31m")
    ids = site.inputs.layout.head_id.copy()
    ids[0] = r"$x_1$"
    inputs = replace(
        site.inputs,
        zone_plan=replace(site.inputs.zone_plan, zone=hostile),
        layout=replace(site.inputs.layout, head_id=ids),
    )
    draw_maps(tmp_path, inputs, site.analysis, units="si")
    found = pages["map_coverage.png"].figure.findobj(Text)
    shown = {text.get_text(): text for text in found}
    assert not shown[r"$\frac{1}{0}$"].get_parse_math()
    assert not shown[r"$x_1$"].get_parse_math()
    assert "a b [31m" in shown


def test_draw_maps_hostile_ids_and_plot_settings_do_no_harm(tmp_path: Path) -> None:
    # Letters that the font lacks, unbalanced dollar signs, and a user whose plots run TeX.
    site = made_up(turf_id="草坪 $", heads_across=3, heads_down=2)
    zones = ("草坪", "$\\undefined{")
    inputs = replace(site.inputs, zone_plan=replace(site.inputs.zone_plan, zone=zones))
    with mpl.rc_context({"text.usetex": True, "font.family": ["serif"]}):
        draw_maps(tmp_path, inputs, site.analysis, units="si")
    assert len(list(tmp_path.iterdir())) == 3


def test_draw_maps_cells_have_the_colour_of_their_class(tmp_path: Path) -> None:
    site = made_up(heads_across=1, heads_down=1)
    values = np.where(np.isnan(site.analysis.raster("slope_pct").values), np.nan, 0.6)
    analysis = with_raster(site.analysis, "runoff_probability", values.astype(np.float32))
    draw_maps(tmp_path, site.inputs, analysis, units="si")
    picture = pixels(tmp_path / "map_runoff_risk.png")
    # The map has 808 px of height, less 2 × 18 px and 58 px that stay free: 40 m on 714 px, which
    # decides the scale, 0.0560 m/px. Turf of 54 m × 16.4 m less 6 m × 6 m, 39 m × 16.4 m and
    # 12 m × 6 m is 1561 m²: 497,500 px. Its outline, 312 m, hides about 1.3 px of them along its
    # way, 7,200 px; that of the hotspot, 40 m, about 6 px, 4,300 px; so some 486,000 are left.
    map_part = of_colour(picture, RUNOFF_6[3])[:, :1190]
    assert map_part.sum() == pytest.approx(486_000, rel=0.01)
    legend_part = of_colour(picture, RUNOFF_6[3])[:, 1190:]
    assert legend_part.sum() > 500


def test_draw_maps_big_raster_is_thinned(tmp_path: Path, pages: dict[str, Page]) -> None:
    site = made_up(width_m=600.0, height_m=500.0, cell_size_m=0.25, heads_across=2, heads_down=2)
    assert site.analysis.grid.n_rows * site.analysis.grid.n_cols > MOST_DRAWN_CELLS
    draw(site, tmp_path)
    for page in pages.values():
        (image,) = page.figure.findobj(AxesImage)
        assert image.get_array().shape[0] * image.get_array().shape[1] <= MOST_DRAWN_CELLS


def test_draw_maps_names_of_heads_are_dropped_where_crowded(
    tmp_path: Path, pages: dict[str, Page]
) -> None:
    draw(made_up(heads_across=9, heads_down=6), tmp_path)
    assert "H0007" in texts(pages["map_coverage.png"].figure)
    draw(made_up(heads_across=30, heads_down=6), tmp_path)
    found = texts(pages["map_coverage.png"].figure)
    assert "H0007" not in found
    assert "Z3" in found


def test_draw_maps_site_without_hardscape_and_with_one_cell(tmp_path: Path) -> None:
    site = made_up(width_m=1.0, height_m=1.0, cell_size_m=1.0, heads_across=1, heads_down=1)
    inputs = replace(site.inputs, hardscape=None)
    draw_maps(tmp_path, inputs, site.analysis, units="si")
    assert len(list(tmp_path.iterdir())) == 3


def test_drawn_path_rings_enclose_the_area_of_the_polygons() -> None:
    # 4 × 4 less a hole of 2 × 1 is 14; a second square adds 1. Holes run the other way round, so
    # the signed areas of all rings add up.
    holed = shapely.Polygon([(0, 0), (0, 4), (4, 4), (4, 0)], [[(1, 1), (3, 1), (3, 2), (1, 2)]])
    path = drawn_path([shapely.MultiPolygon([holed, shapely.box(9, 9, 10, 10)]), None])
    area = sum(
        0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])
        for x, y in (np.asarray(ring).T for ring in path.to_polygons())
    )
    assert abs(area) == pytest.approx(15.0, rel=1e-12)


def test_drawn_path_of_nothing_is_empty() -> None:
    assert np.size(drawn_path([]).vertices) == 0
    assert np.size(drawn_path([None, shapely.Polygon()]).vertices) == 0


def followed_downhill(site: MadeUp, leaving_l: dict[str, float]) -> SiteAnalysis:
    """The analysis with run-on, and one stretch of edge for each thing that water reaches."""
    depth = replace(site.analysis.raster("runoff_depth_mm"), name="run_on_depth_mm")
    litres = np.array(list(leaving_l.values()))
    west, south, *_ = site.analysis.grid.bounds_m
    edges = ResultTable(
        name="edge_runoff",
        columns={"reaches": np.array(list(leaving_l), dtype=object), "leaving_l": litres},
        geometry=shapely.points(west + 10.0 * np.arange(1, 1 + len(litres)), south + 20.0),
        geometry_type="Point",
    )
    of_turf = {
        name: np.array([leaving_l.get(reached, 0.0), 0.0, 0.0])
        for name, reached in (("to_hardscape_l", "hardscape"), ("off_site_l", "off site"))
    }
    of_turf["leaving_l"] = np.array([litres.sum(), 0.0, 0.0])
    turf = site.analysis.table("turf_results")
    tables = [table for table in site.analysis.tables if table.name != "turf_results"]
    return replace(
        site.analysis,
        tables=(*tables, replace(turf, columns={**turf.columns, **of_turf}), edges),
        rasters=(*site.analysis.rasters, depth),
    )


def test_draw_maps_of_run_on_say_where_water_leaves(tmp_path: Path, pages: dict[str, Page]) -> None:
    site = made_up()
    analysis = followed_downhill(site, {"hardscape": 90.0, "off site": 10.0})
    draw_maps(tmp_path, site.inputs, analysis, units="si")
    found = texts(pages["map_run_on.png"].figure)
    assert any(
        "100 L an event leave the turf: 90 L onto hardscape, 10 L off the" in t for t in found
    )
    assert {"leaves onto hardscape", "leaves off the site"} <= set(found)
    assert "leaves onto other turf" not in found
    dots = [
        c for c in pages["map_run_on.png"].figure.findobj(PathCollection) if len(c.get_offsets())
    ]
    sizes = sorted(float(size) for dot in dots for size in dot.get_sizes())
    assert sizes[1] / sizes[0] == pytest.approx(9.0)  # as the litres


def test_draw_maps_of_run_on_without_any_say_so(tmp_path: Path, pages: dict[str, Page]) -> None:
    site = made_up()
    draw_maps(tmp_path, site.inputs, followed_downhill(site, {}), units="us")
    found = " ".join(texts(pages["map_run_on.png"].figure))
    assert "No water leaves the turf in the event as planned." in found
