"""A good programme file, to be spoilt one thing at a time."""

from __future__ import annotations

from pathlib import Path

from geoirrig.errors import ProblemList
from geoirrig.expressions.grammar import ValueKind
from geoirrig.io.read_programme import read_programme
from geoirrig.programme import Programme

COLUMNS: dict[str, ValueKind] = {
    "land_use": "text", "has_grant": "truth", "lot_area_m2": "number", "head_count": "number",
}  # fmt: skip

GOOD = """\
title = "Spray exchange"
jurisdiction = "An invented town"
note = "First come, first served."
currency = "USD"
budget = 40000
water_price_per_m3 = 2.0
discount_rate = 0.03
measure_life_years = 10
nozzle_set = "slower.csv"

[[condition]]
id = "slope"
require = "max_slope_pct <= 25"
reason = "Too steep, {max_slope_pct} %."

[[condition]]
id = "use"
require = "land_use == 'school' or not has_grant"
reason = "Not for this use."

[[pay]]
per_head = 8.0

[[pay]]
per_m2 = 0.5
where = "lot_area_m2 > 100"

[caps]
per_parcel = 200
share_of_cost = 0.5

[costs]
nozzle_default = 9.0
labour_per_head = 6.0
fixed_per_parcel = 60

[ranking]
by = "cheapest_water"
funding = "exact"
"""


def programme(folder: Path, text: str | bytes) -> tuple[Programme | None, ProblemList]:
    """What is read from a programme file of that text."""
    path = folder / "house.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    problems = ProblemList()
    return read_programme(path, problems, parcel_columns=COLUMNS), problems


def changed(folder: Path, old: str, new: str) -> tuple[Programme | None, ProblemList]:
    """What is read from the good file with one thing changed."""
    assert GOOD.count(old) == 1, old
    return programme(folder, GOOD.replace(old, new))


def good(folder: Path, old: str = "Spray", new: str = "Spray") -> Programme:
    """The programme of the good file, with one thing changed that does no harm."""
    found, problems = changed(folder, old, new)
    assert problems.problems == []
    assert found is not None
    return found
