"""The calendar: what a cell says, and pages of eighteen zones."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from geoirrig.maps.page import PAGE_HEIGHT_PX, PAGE_WIDTH_PX
from geoirrig.maps.schedule_calendar import CalendarText, cell_lines, draw_schedule_calendar
from geoirrig.records import ZoneSchedule
from geoirrig.symbology import SCALES

TEXT = CalendarText(
    title="Irrigation calendar",
    subtitle="Site a.gpkg; climate $x_1$.csv",
    methods=("Effective rain: usda_scs.",),
    failures=("Zone 3 (July): no plan.",),
    cautions=("Watch the turf. " * 9,) * 9,
)


def made_up_schedule(n_zones: int) -> ZoneSchedule:
    shape = (n_zones, 12)
    schedule = ZoneSchedule(
        zone=tuple(f"zone {number}" for number in range(n_zones)),
        events=np.full(shape, 10.0),
        interval_days=np.full(shape, 3.0),
        net_depth_mm=np.full(shape, 8.0),
        gross_depth_mm=np.full(shape, 10.0),
        run_minutes=np.full(shape, 18.0),
        cycles=np.full(shape, 2),
        cycle_minutes=np.full(shape, 9.0),
        soak_minutes=np.full(shape, 31.4),
        water_m3=np.full(shape, 9.0),
    )
    schedule.events[:, 0] = 0.0
    schedule.interval_days[:, 1] = 1.0
    schedule.cycles[:, 1] = 1
    schedule.cycle_minutes[:, 1] = 18.0
    schedule.cycles[:, 2] = 0
    return schedule


@pytest.mark.parametrize(
    ("month", "lines"),
    [
        (0, ()),
        (1, ("every day", "18 min")),
        (2, ("every 3 d", "18 min", "runs off")),
        (3, ("every 3 d", "2 × 9.0 min", "soak 31 min")),
    ],
)
def test_cell_lines_say_how_the_clock_is_set(month: int, lines: tuple[str, ...]) -> None:
    assert cell_lines(made_up_schedule(1), 0, month) == lines


@pytest.mark.parametrize(("n_zones", "n_pages"), [(1, 1), (18, 1), (19, 2), (40, 3)])
def test_calendar_has_a_page_for_every_eighteen_zones(
    tmp_path: Path, n_zones: int, n_pages: int
) -> None:
    schedule = made_up_schedule(n_zones)
    weekly = np.linspace(0.0, 600.0, n_zones * 12).reshape(n_zones, 12)
    names = draw_schedule_calendar(tmp_path, schedule, weekly, TEXT)
    expected = ["calendar.png", "calendar_2.png", "calendar_3.png"][:n_pages]
    assert list(names) == expected == sorted(path.name for path in tmp_path.iterdir())
    with Image.open(tmp_path / names[-1]) as image:
        assert image.size == (PAGE_WIDTH_PX, PAGE_HEIGHT_PX)


def test_cells_have_the_colours_of_the_legend(tmp_path: Path) -> None:
    # January rests; the months after it are in the classes from the lowest to the highest
    minutes = np.array([[0.0, 30.0, 60.0, 120.0, 240.0, 480.0, 600.0, 0.0, 0.0, 0.0, 0.0, 0.0]])
    schedule = made_up_schedule(1)
    schedule.events[:] = 0.0  # no text in the cells
    draw_schedule_calendar(tmp_path, schedule, minutes, TEXT)
    with Image.open(tmp_path / "calendar.png") as image:
        picture = np.asarray(image.convert("RGB"))
    row = PAGE_HEIGHT_PX - 986  # the middle of the first row of zones
    shown = ["#" + bytes(picture[row, 172 + month * 90 + 45].tolist()).hex() for month in range(7)]
    assert tuple(shown) == SCALES["weekly_minutes"].colours
