from __future__ import annotations

import itertools
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from matplotlib.image import imread

from geoirrig import symbology
from geoirrig.maps.map_scale import fitting_scale, standard_scales
from geoirrig.maps.zone_sheets import draw_zone_sheets
from geoirrig.records import HardscapeAreas, ResultTable
from tests.external import require_program
from tests.made_up_analysis import BOTTOM_M, HOSTILE_ID, LEFT_M, MadeUp, made_up

DOTS_PER_INCH = 300
TOLERANCE_DOTS = 1.5  # each edge is drawn to the dot


def with_yardstick(case: MadeUp) -> MadeUp:
    """Paving of 20 m by 10 m, apart from everything, in the place of the other paving."""
    yardstick = shapely.box(LEFT_M + 20.0, BOTTOM_M - 14.0, LEFT_M + 40.0, BOTTOM_M - 4.0)
    paving = HardscapeAreas(
        surface=np.array(["yardstick"], dtype=object),
        geometry=np.array([yardstick], dtype=object),
    )
    return replace(case, inputs=replace(case.inputs, hardscape=paving))


def with_findings(case: MadeUp, zone: str, sentences: list[str]) -> MadeUp:
    count = len(sentences)
    table = ResultTable(
        name="layout_findings",
        columns={
            "finding_id": np.arange(1, count + 1),
            "severity": np.array(["high"] * count, dtype=object),
            "zone": np.array([zone] * count, dtype=object),
            "finding": np.array(sentences, dtype=object),
        },
        geometry=np.array([shapely.Point(LEFT_M + 30.0, BOTTOM_M + 2.0)] * count, dtype=object),
        geometry_type="Point",
    )
    tables = (*case.analysis.tables, table)
    return replace(case, analysis=replace(case.analysis, tables=tables))


def drawn(case: MadeUp, folder: Path, units: str = "si") -> Path:
    path = folder / "sheets.pdf"
    draw_zone_sheets(path, case.inputs, case.analysis, units=units)
    return path


def text_of_page(path: Path, number: int) -> str:
    program = require_program("pdftotext")
    command = [program, "-layout", "-f", str(number), "-l", str(number), str(path), "-"]
    return subprocess.run(command, check=True, capture_output=True, encoding="utf-8").stdout


@pytest.mark.parametrize(
    ("units", "size", "stated", "ratio"),
    # 54 m between the outer heads and half a throw of 4.5 m at each end, on some 20 cm: 1:500, and
    # 1 in = 30 ft is 1:360 since a foot has 12 inches
    [("si", "841.89 x 595.276 pts (A4)", "1:500", 500.0),
     ("us", "792 x 612 pts (letter)", "1 in = 30 ft (1:360)", 360.0)],
)  # fmt: skip
def test_draw_zone_sheets_paper_has_the_scale_it_states(tmp_path, units, size, stated, ratio):
    """Measured on a page that another program renders (pdftoppm of Poppler)."""
    case = with_yardstick(with_findings(made_up(heads_down=2), "Z1", []))
    path = drawn(case, tmp_path, units)
    assert stated in text_of_page(path, 1)
    info = subprocess.run(
        [require_program("pdfinfo"), str(path)], check=True, capture_output=True, encoding="utf-8"
    ).stdout
    assert f"Page size:       {size}" in info
    subprocess.run(
        [require_program("pdftoppm"), "-r", str(DOTS_PER_INCH), "-f", "1", "-l", "1", "-png",
         "-singlefile", str(path), str(tmp_path / "page")],
        check=True,
    )  # fmt: skip
    pixels = np.rint(255 * imread(tmp_path / "page.png")[..., :3]).astype(int)
    map_part = pixels[:, : int(0.69 * pixels.shape[1])]  # without the legend
    colour = list(bytes.fromhex(symbology.HARDSCAPE_COLOUR[1:]))
    rows, cols = np.nonzero(np.all(map_part == colour, axis=-1))
    for dots, ground_m in ((np.ptp(cols) + 1, 20.0), (np.ptp(rows) + 1, 10.0)):
        expected = ground_m / ratio / 0.0254 * DOTS_PER_INCH
        assert dots == pytest.approx(expected, abs=TOLERANCE_DOTS)


def test_draw_zone_sheets_one_page_a_zone_with_its_findings(tmp_path):
    case = with_findings(made_up(), "Z2", ["Heads A and B stand apart.", "An arc is wrong."])
    path = drawn(case, tmp_path)
    first, second, last = (text_of_page(path, number) for number in (1, 2, 6))
    assert "Zone Z1" in first
    assert "No finding about this zone" in first
    assert "Zone Z2" in second
    assert "Heads A and B stand apart." in second
    assert "An arc is wrong." in second
    assert "6 of 6" in last


def test_draw_zone_sheets_tells_how_many_findings_have_no_room(tmp_path):
    case = with_findings(made_up(), "Z1", [f"Finding number {n} is here." for n in range(60)])
    text = text_of_page(drawn(case, tmp_path), 1)
    shown = sum(f"number {n} is" in " ".join(text.split()) for n in range(60))
    assert 5 < shown < 60
    assert f"{60 - shown} more in the table of findings." in text


def test_draw_zone_sheets_few_findings_are_written_in_full(tmp_path):
    sentence = "Heads A and B stand too far apart for their throw along this edge. " * 4
    text = text_of_page(drawn(with_findings(made_up(), "Z1", [sentence + "Done."]), tmp_path), 1)
    assert "Done." in text


def test_draw_zone_sheets_hostile_names_are_drawn_as_they_are(tmp_path):
    case = with_findings(made_up(), "Z1", [HOSTILE_ID])
    zones = (f"<b>${HOSTILE_ID}", *case.inputs.zone_plan.zone[1:])
    plan = replace(case.inputs.zone_plan, zone=zones)
    path = drawn(replace(case, inputs=replace(case.inputs, zone_plan=plan)), tmp_path)
    assert "<b>$=1+1" in text_of_page(path, 1)


def test_draw_zone_sheets_is_the_same_each_time(tmp_path):
    case = with_findings(made_up(heads_down=2), "Z1", ["A."])
    assert drawn(case, tmp_path).read_bytes() == drawn(case, tmp_path).read_bytes()


def test_standard_scales_follow_the_engineers_rule_in_us_units():
    labels = [scale.label for scale in itertools.islice(standard_scales("us"), 7)]
    assert [label.split(" (")[0] for label in labels] == [
        f"1 in = {feet} ft" for feet in (10, 20, 30, 40, 50, 60, 100)
    ]


def test_fitting_scale_takes_the_next_smaller_one():
    # 144 px are an inch, 25.4 mm: at 1:100 that is 2.54 m of ground
    fits = fitting_scale(2.54, 1.0, frame_px=(144.0, 144.0), units="si")
    misses = fitting_scale(2.55, 1.0, frame_px=(144.0, 144.0), units="si")
    assert (fits.denominator, misses.denominator) == (100.0, 200.0)
    tall = fitting_scale(1.0, 2.55, frame_px=(144.0, 144.0), units="si")
    assert tall.denominator == 200.0
