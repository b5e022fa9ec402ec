"""Plant types of a turf layer."""

from __future__ import annotations

import numpy as np

from geoirrig.errors import ProblemList
from geoirrig.io.columns import TURF
from geoirrig.io.open_layer import LayerTable
from geoirrig.io.plant_types import plant_types


def turf_table(**columns: list[object]) -> LayerTable:
    given = {"turf_id": ["A", "B", "C"], **columns}
    return LayerTable(
        schema=TURF,
        place="layer 'turf' of 'site.gpkg'",
        feature=np.arange(1, 4),
        columns={name: np.array(values, dtype=object) for name, values in given.items()},
    )


def test_plant_types_absent_column_and_empty_words_are_cool_season_turf() -> None:
    problems = ProblemList()
    assert plant_types(turf_table(), problems).tolist() == ["cool_season_turf"] * 3
    found = plant_types(turf_table(plant_type=["", None, "warm_season"]), problems)
    assert found.tolist() == ["cool_season_turf", "cool_season_turf", "warm_season_turf"]
    assert problems == ProblemList()


def test_plant_types_unknown_word_is_a_warning_with_the_nearest() -> None:
    problems = ProblemList()
    table = turf_table(plant_type=["low_water_use", "moderat_water_use", "roses"])
    found = plant_types(table, problems)
    assert found.tolist() == ["low_water_use", "cool_season_turf", "cool_season_turf"]
    assert problems.problems == []
    assert problems.warnings == [
        "Layer 'turf' of 'site.gpkg': plant_type is best one of cool_season_turf, "
        "warm_season_turf, very_low_water_use, low_water_use, moderate_water_use, high_water_use; "
        "got 'moderat_water_use' for turf_id 'B', 'roses' for 'C'. Taken for cool_season_turf. "
        "The nearest known is 'moderate_water_use'."
    ]
