"""The columns that expressions name, looked up in whatever unit they name them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.expressions.evaluation import Values, column_values
from geoirrig.expressions.grammar import ValueKind
from geoirrig.parcel_quantities import other_units, quantity_of
from geoirrig.units import FloatArray, unit_of_column

_DIGITS = 12
_LARGEST_EXPONENT = 280  # so that no power of ten overflows


def named_values(
    kinds: Mapping[str, ValueKind], columns: Mapping[str, NDArray[Any]]
) -> dict[str, Values]:
    """Values of every name.

    Parameters
    ----------
    kinds : mapping of str to {"number", "text", "truth"}
        Names of an expression, and what it was read for: a part of a column may not show it.
    columns : mapping of str to ndarray, each of shape (n,)
        Computed quantities in SI and columns of the parcels layer.

    Returns
    -------
    dict of str to Values
        A name in another unit than its column is converted.

    Raises
    ------
    KeyError
        If a column is missing: the caller computes what `Programme.names` asks for.

    Examples
    --------
    >>> import numpy as np
    >>> found = named_values({"turf_area_ft2": "number"}, {"turf_area_m2": np.array([0.09290304])})
    >>> round(float(found["turf_area_ft2"].values[0]), 9)
    1.0
    """
    return {name: _values(name, kind, columns) for name, kind in kinds.items()}


def _values(name: str, kind: ValueKind, columns: Mapping[str, NDArray[Any]]) -> Values:
    quantity = quantity_of(name)
    if quantity is None and name in columns:
        return column_values(columns[name], kind)
    spellings = [quantity.name] if quantity is not None else other_units(name)
    column = next((spelling for spelling in spellings if spelling in columns), None)
    if column is None:
        raise KeyError(name)
    found = column_values(columns[column], kind)
    if column == name:
        return found
    converted = found.values * _factor_to_si(column) / _factor_to_si(name)
    return Values(values=_to_significant(converted), is_known=found.is_known)


def _to_significant(values: FloatArray) -> FloatArray:
    """Values to 12 digits, so that a pressure stated as 30 psi is 30 psi again and not below it."""
    safe = np.where(values == 0.0, 1.0, np.abs(values))
    size = np.clip(np.floor(np.log10(safe)), -_LARGEST_EXPONENT, _LARGEST_EXPONENT)
    scale = 10.0 ** (_DIGITS - 1 - size)
    return np.asarray(np.round(values * scale) / scale)


def _factor_to_si(name: str) -> float:
    unit = unit_of_column(name)[1]
    return 1.0 if unit is None else unit.to_si
