"""Three invented years of daily weather for the hillside: wet winters, dry summers.

No such station exists. The numbers come from a few seasonal curves and the uniform random numbers
of Python's own generator, which are the same on every machine.
"""

from __future__ import annotations

import datetime as dt
import math
import random
from collections.abc import Iterator
from pathlib import Path

LATITUDE_DEG = 41.9
ALTITUDE_M = 420.0
FIRST_DAY, LAST_DAY = dt.date(2022, 1, 1), dt.date(2024, 12, 31)
SEED = 20_220_101
COLUMNS = (
    "date", "temperature_min_c", "temperature_max_c", "relative_humidity_min_pct",
    "relative_humidity_max_pct", "wind_speed_m_s", "solar_radiation_mj_m2", "rain_mm",
)  # fmt: skip


def extraterrestrial_radiation_mj_m2(day_of_year: int) -> float:
    """Radiation of a day above the atmosphere: FAO-56 equation 21. [MJ/(m²·d)]."""
    phase = 2.0 * math.pi * day_of_year / 365.0
    latitude, declination = math.radians(LATITUDE_DEG), 0.409 * math.sin(phase - 1.39)
    sunset = math.acos(-math.tan(latitude) * math.tan(declination))
    height = sunset * math.sin(latitude) * math.sin(declination)
    height += math.cos(latitude) * math.cos(declination) * math.sin(sunset)
    return 24.0 * 60.0 / math.pi * 0.0820 * (1.0 + 0.033 * math.cos(phase)) * height


def climate_rows() -> Iterator[tuple[str, ...]]:
    """Rows of the climate file, as text."""
    draw = random.Random(SEED)

    def bell() -> float:
        """About standard normal: the sum of twelve uniform numbers less six."""
        return sum(draw.random() for _ in range(12)) - 6.0

    spell, is_wet = 0.0, False
    for number in range((LAST_DAY - FIRST_DAY).days + 1):
        day = FIRST_DAY + dt.timedelta(days=number)
        day_of_year = day.timetuple().tm_yday
        summer = math.cos(2.0 * math.pi * (day_of_year - 200) / 365.25)  # 1 in July, −1 in January
        chance = max(0.02, 0.20 - 0.18 * summer) * (1.6 if is_wet else 0.85)
        is_wet = draw.random() < chance
        rain = -(6.0 - 2.0 * summer) * math.log(1.0 - draw.random()) if is_wet else 0.0
        spell = 0.7 * spell + 2.0 * bell()  # warm and cold spells of some days
        warmest = 18.5 + 13.0 * summer + spell - (3.0 if is_wet else 0.0)
        spread = max(3.0, 13.5 + 3.0 * summer + 1.5 * bell() - (5.0 if is_wet else 0.0))
        driest = min(90.0, max(8.0, 42.0 - 20.0 * summer + 6.0 * bell() + (20.0 * is_wet)))
        dampest = min(100.0, max(driest + 5.0, 80.0 - 10.0 * summer + 6.0 * bell()))
        wind = max(0.3, 2.1 + 0.2 * summer + 0.7 * bell())
        clearness = min(0.76, max(0.15, (0.35 if is_wet else 0.64 + 0.06 * summer) + 0.06 * bell()))
        radiation = clearness * extraterrestrial_radiation_mj_m2(day_of_year)
        values = (warmest - spread, warmest, driest, dampest, wind, radiation, rain)
        yield (day.isoformat(), *(f"{value:.1f}" for value in values))


def write_climate(path: Path) -> None:
    """Write the climate file."""
    lines = [",".join(COLUMNS), *(",".join(row) for row in climate_rows())]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    write_climate(Path(__file__).with_name("hillside_climate.csv"))
