"""The sheet of a screening: parcels in the colours of their status, however many there are."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import matplotlib.image
import numpy as np
import pytest
import shapely
from matplotlib.colors import to_rgb

from geoirrig.city_records import packed_bytes
from geoirrig.maps import screening_sheet
from geoirrig.maps.screening_sheet import ScreeningText, draw_screening_sheet
from geoirrig.symbology import STATUS_COLOURS
from geoirrig.units import UnitSystem

TEXT = ScreeningText(
    finding="One parcel is funded.", cautions=("Look.",), about=("$x$ programme",), currency="€$"
)


def drawn(folder: Path, status: list[int], *, units: UnitSystem = "si", **columns: Any) -> Any:
    shapes = np.array(
        [shapely.box(30.0 * k, 0.0, 30.0 * k + 25.0, 40.0) for k in range(len(status))]
    )
    table = {
        "status_code": np.array(status),
        "levelised_cost_per_m3": np.linspace(0.1, 2.0, len(status)),
        "water_saved_m3_year": np.full(len(status), 50.0),
        **columns,
    }
    outlines = packed_bytes(np.asarray(shapely.to_wkb(shapes), dtype=object))
    draw_screening_sheet(folder, outlines, table, TEXT, units=units)
    return matplotlib.image.imread(folder / "screening.png")[..., :3]


def share_of(picture: Any, colour: str) -> float:
    near = np.abs(picture[150:950, 60:1180] - np.array(to_rgb(colour))).max(axis=-1) < 0.02
    return float(near.mean())


@pytest.mark.parametrize("most_drawn", [3000, 1])
def test_draw_screening_sheet_parcels_have_the_colour_of_their_status(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most_drawn: int
) -> None:
    monkeypatch.setattr(screening_sheet, "_MOST_DRAWN", most_drawn)
    picture = drawn(tmp_path, [0, 1, 2, 3])
    shares = [share_of(picture, colour) for colour in STATUS_COLOURS]
    assert min(shares) > 0.03
    assert max(shares) < 1.1 * min(shares)


def test_draw_screening_sheet_parcels_without_an_outline_do_not_count(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def as_raster(*_: object) -> None:
        raise AssertionError("one parcel is drawn as it is")

    monkeypatch.setattr(screening_sheet, "_MOST_DRAWN", 1)
    monkeypatch.setattr(screening_sheet, "_draw_as_raster", as_raster)
    outlines = packed_bytes(np.array([None, shapely.to_wkb(shapely.box(0, 0, 9, 9)), None]))
    table = {
        "status_code": np.array([0, 3, 0]),
        "levelised_cost_per_m3": np.full(3, 0.5),
        "water_saved_m3_year": np.full(3, 50.0),
    }
    draw_screening_sheet(tmp_path, outlines, table, TEXT, units="si")


def test_draw_screening_sheet_nothing_eligible_has_no_curve(tmp_path: Path) -> None:
    picture = drawn(tmp_path, [0, 1, 1], units="us")
    assert share_of(picture, STATUS_COLOURS[3]) == 0.0


@pytest.mark.parametrize(
    ("cost", "told"),
    [
        ([0.5, 0.6, 0.68], []),  # below 1.15 × 0.6
        # 1 % of the saving is dearer
        ([0.5, 0.6, 41.2], ["1 parcel goes up to 41.20"]),
        ([0.6, 5.0, 1234.5], ["2 parcels go up to 1,234.50"]),
    ],
)
def test_draw_screening_sheet_steps_above_the_frame_are_marked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cost: list[float], told: list[str]
) -> None:
    texts, marks = list[str](), list[Any]()
    save = screening_sheet.save_page

    def look_and_save(page: Any, *arguments: Any, **named: Any) -> None:
        curve = next(axes for axes in page.figure.axes if axes.get_xlabel())
        texts.extend(text.get_text() for text in curve.texts)
        top = curve.get_ylim()[1]
        marks.extend((*line.get_data(), top) for line in curve.lines if line.get_marker() == "^")
        save(page, *arguments, **named)

    monkeypatch.setattr(screening_sheet, "save_page", look_and_save)
    saved = np.array([98.0, 1.0, 1.0] if cost[1] > 1.0 else [50.0, 49.0, 1.0])
    drawn(
        tmp_path,
        [3, 3, 2],
        levelised_cost_per_m3=np.array(cost),
        water_saved_m3_year=saved,
    )
    assert texts == told
    assert len(marks) == len(told)
    for (x,), (y,), top in marks:  # above the steps that are cut
        assert x == pytest.approx(99.5 if cost[1] < 1.0 else 99.0)
        assert y == pytest.approx(top)


def test_draw_screening_sheet_saving_that_is_not_known(tmp_path: Path) -> None:
    unknown = {
        "levelised_cost_per_m3": np.array([np.nan, 0.5]),
        "water_saved_m3_year": np.array([np.nan, 10.0]),
    }
    assert share_of(drawn(tmp_path, [2, 3], **unknown), STATUS_COLOURS[3]) > 0.0
