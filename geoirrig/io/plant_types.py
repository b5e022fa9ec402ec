"""Plant types that a turf layer names."""

from __future__ import annotations

import numpy as np

from geoirrig.errors import ProblemList
from geoirrig.io.column_values import named_values, text_column
from geoirrig.io.columns import nearest_hint
from geoirrig.io.open_layer import LayerTable
from geoirrig.physics.plant_water_use import DEFAULT_PLANT_TYPE, PLANT_TYPES, known_plant_type
from geoirrig.records import ObjectArray


def plant_types(table: LayerTable, problems: ProblemList) -> ObjectArray:
    """Plant type of every row, a key of `PLANT_TYPES`.

    An unknown word is a warning and counts as the default: the column was free text before
    anything was computed from it, and cool-season turf errs on the side of more water.

    Parameters
    ----------
    table : LayerTable
        A layer with a text column ``plant_type``, or without: then all rows have the default.
    problems : ProblemList
        Takes the warning.

    Returns
    -------
    ndarray of str, shape (n_rows,)
    """
    words = text_column(table, "plant_type", problems)
    types = [known_plant_type(str(word)) for word in words]
    is_unknown = np.array([name is None for name in types], dtype=bool)
    if is_unknown.any():
        first = str(words[is_unknown][0])
        problems.warn(
            f"{table.start}: plant_type is best one of {', '.join(PLANT_TYPES)}; "
            f"{named_values(table, words, is_unknown)}. Taken for {DEFAULT_PLANT_TYPE}."
            f"{nearest_hint(first, PLANT_TYPES)}"
        )
    return np.array([DEFAULT_PLANT_TYPE if t is None else t for t in types], dtype=object)
