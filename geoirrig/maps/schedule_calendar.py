"""The schedule as a picture: a row per zone, a column per month, a setting of the clock in each."""

from __future__ import annotations

import calendar
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.patches import Rectangle

from geoirrig import symbology
from geoirrig.maps.map_furniture import LegendEntry, draw_legend
from geoirrig.maps.page import (
    INK,
    PAGE_HEIGHT_PX,
    PAGE_WIDTH_PX,
    PLOT_SETTINGS,
    QUIET_INK,
    Page,
    blank_page,
    line_height_px,
    save_page,
    shown_id,
    write_paragraph,
    write_text,
)
from geoirrig.physics.plant_water_use import MONTHS
from geoirrig.records import ZoneSchedule
from geoirrig.symbology import SCALES
from geoirrig.units import FloatArray

ZONES_PER_PAGE = 18

_LEFT_PX, _TOP_PX = 40.0, 1013.0  # of the rows of zones
_NAME_WIDTH_PX = 132.0
_CELL_WIDTH_PX, _CELL_HEIGHT_PX = 90.0, 54.0
_PANEL_LEFT_PX = _LEFT_PX + _NAME_WIDTH_PX + MONTHS * _CELL_WIDTH_PX + 30.0
_PANEL_WIDTH_PX = PAGE_WIDTH_PX - _PANEL_LEFT_PX - 24.0
_CELL_TEXT_PT, _CELL_LINE_PX = 6.1, 15.5
_DARK = 0.5  # luma below which text on a colour is white
_NO_PLAN: dict[str, Any] = {
    "facecolor": "none",
    "edgecolor": symbology.HEAD_FINDING_COLOUR,
    "linewidth": 2.0,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarText:
    """What stands around the calendar."""

    title: str
    subtitle: str
    methods: tuple[str, ...]
    failures: tuple[str, ...]
    cautions: tuple[str, ...]


def draw_schedule_calendar(
    folder: Path, schedule: ZoneSchedule, weekly_minutes: FloatArray, text: CalendarText
) -> tuple[str, ...]:
    """Draw ``calendar.png``, and ``calendar_2.png`` … for sites of more than 18 zones.

    Parameters
    ----------
    folder : Path
        Folder to write into.
    schedule : ZoneSchedule
        Every zone and month.
    weekly_minutes : ndarray, shape (n_zones, 12)
        What the cells are coloured by; 0 where the zone does not run. [min]
    text : CalendarText
        Title, methods, failures and cautions.

    Returns
    -------
    tuple of str
        Names of the files.
    """
    n_zones = len(schedule.zone)
    starts = range(0, max(n_zones, 1), ZONES_PER_PAGE)
    names = []
    with mpl.rc_context(PLOT_SETTINGS):
        for number, start in enumerate(starts, start=1):
            page = blank_page()
            shown = range(start, min(start + ZONES_PER_PAGE, n_zones))
            _draw_heading(page, text, number, len(starts))
            for row, zone in enumerate(shown):
                _draw_zone(page, schedule, weekly_minutes, zone, row)
            _draw_panel(page, text)
            name = "calendar.png" if number == 1 else f"calendar_{number}.png"
            save_page(page, folder / name, title=text.title)
            names.append(name)
    return tuple(names)


def cell_lines(schedule: ZoneSchedule, zone: int, month: int) -> tuple[str, ...]:
    """What a cell says: how often, how long, how long to soak; empty where the zone rests.

    Parameters
    ----------
    schedule : ZoneSchedule
        Every zone and month.
    zone, month : int
        Position, from 0.
    """
    if not schedule.events[zone, month] > 0.0:
        return ()
    days = round(float(schedule.interval_days[zone, month]))
    how_often = "every day" if days == 1 else f"every {days} d"
    cycles = int(schedule.cycles[zone, month])
    if cycles == 0:
        return how_often, _minutes(schedule.run_minutes[zone, month]), "runs off"
    how_long = _minutes(schedule.cycle_minutes[zone, month])
    if cycles == 1:
        return how_often, how_long
    return (
        how_often,
        f"{cycles} × {how_long}",
        f"soak {_minutes(schedule.soak_minutes[zone, month])}",
    )


def _minutes(value: float) -> str:
    """Whole minutes, and a decimal where a whole minute would be coarse."""
    return f"{value:.0f} min" if value >= 9.95 else f"{value:.1f} min"


def _draw_heading(page: Page, text: CalendarText, number: int, count: int) -> None:
    write_text(page, _LEFT_PX, PAGE_HEIGHT_PX - 28.0, text.title, size_pt=15, weight="bold")
    subtitle = text.subtitle + (f"; page {number} of {count}" if count > 1 else "")
    write_text(
        page, _LEFT_PX, PAGE_HEIGHT_PX - 66.0, shown_id(subtitle, longest=110), color=QUIET_INK
    )
    for month in range(MONTHS):
        write_text(
            page,
            _LEFT_PX + _NAME_WIDTH_PX + (month + 0.5) * _CELL_WIDTH_PX,
            _TOP_PX + 22.0,
            calendar.month_abbr[month + 1],
            weight="bold",
            horizontalalignment="center",
        )


def _draw_zone(
    page: Page, schedule: ZoneSchedule, weekly_minutes: FloatArray, zone: int, row: int
) -> None:
    top = _TOP_PX - row * _CELL_HEIGHT_PX
    name = shown_id(schedule.zone[zone], longest=16)
    write_text(page, _LEFT_PX, top - 0.5 * _CELL_HEIGHT_PX + 9.0, name, weight="bold")
    scale = SCALES["weekly_minutes"]
    classes = scale.classes("si")
    index = scale.class_index(weekly_minutes[zone], "si")
    for month in range(MONTHS):
        left = _LEFT_PX + _NAME_WIDTH_PX + month * _CELL_WIDTH_PX
        lines = cell_lines(schedule, zone, month)
        colour = classes[index[month]].colour
        box: dict[str, Any] = {"facecolor": colour, "edgecolor": "white", "linewidth": 1.0}
        page.sheet.add_patch(Rectangle((left, top), _CELL_WIDTH_PX, -_CELL_HEIGHT_PX, **box))
        if lines and schedule.cycles[zone, month] == 0:
            frame = Rectangle(
                (left + 2.5, top - 2.5), _CELL_WIDTH_PX - 5.0, 5.0 - _CELL_HEIGHT_PX, **_NO_PLAN
            )
            page.sheet.add_patch(frame)
        _write_lines(page, left + 0.5 * _CELL_WIDTH_PX, top, lines, colour)


def _write_lines(
    page: Page, centre_px: float, top_px: float, lines: tuple[str, ...], colour: str
) -> None:
    free = _CELL_HEIGHT_PX - len(lines) * _CELL_LINE_PX + 3.0  # the last line has its gap below
    for number, line in enumerate(lines):
        write_text(
            page,
            centre_px,
            top_px - 0.5 * free - number * _CELL_LINE_PX,
            line,
            size_pt=_CELL_TEXT_PT,
            color="white" if _luma(colour) < _DARK else INK,
            horizontalalignment="center",
        )


def _luma(colour: str) -> float:
    """How light a colour is, 0 to 1, by the weights of ITU-R BT.709."""
    red, green, blue = (part / 255.0 for part in bytes.fromhex(colour[1:]))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _draw_panel(page: Page, text: CalendarText) -> None:
    """Legend, then what could not be done, how it was done and what to heed, as room allows."""
    entries = [LegendEntry(label="runs off whatever the cycles", patch=_NO_PLAN)]
    top = draw_legend(
        page,
        SCALES["weekly_minutes"],
        entries if text.failures else [],
        left_px=_PANEL_LEFT_PX,
        top_px=_TOP_PX + 22.0,
        width_px=_PANEL_WIDTH_PX,
        units="si",
    )
    cell = "In a cell: days between irrigations, cycles × minutes, minutes of soak between cycles."
    blocks = (("", (cell,)), ("Not solved", text.failures), ("How it was done", text.methods),
              ("Before acting on this", text.cautions))  # fmt: skip
    for heading, sentences in blocks:
        if heading and sentences:
            write_text(page, _PANEL_LEFT_PX, top - 8.0, heading, size_pt=7.5, weight="bold")
            top -= 8.0 + line_height_px(7.5)
        for sentence in sentences:
            lines_left = int((top - 24.0) / line_height_px(6.0))
            if lines_left < 1:
                return
            top = write_paragraph(
                page,
                _PANEL_LEFT_PX,
                top,
                sentence,
                width_px=_PANEL_WIDTH_PX,
                size_pt=6.0,
                at_most=min(6, lines_left),
            )
            top -= 3.0
