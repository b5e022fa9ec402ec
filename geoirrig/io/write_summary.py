"""The summary of a run as strict JSON, for other programs."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np


def write_summary(path: Path, summary: Mapping[str, Any]) -> None:
    """Write a summary as UTF-8 JSON that every parser accepts.

    Parameters
    ----------
    path : Path
        File to write.
    summary : mapping
        Records of numbers, text, lists and mappings; keys come out in the order given.
    """
    path.write_text(summary_text(summary) + "\n", encoding="utf-8", newline="\n")


def summary_text(summary: Mapping[str, Any]) -> str:
    """The same text, for printing.

    NaN and infinity, which JSON does not know, become null; NumPy scalars become plain numbers.

    Examples
    --------
    >>> print(summary_text({"du_lq": float("nan"), "zone": "A"}))
    {
      "du_lq": null,
      "zone": "A"
    }
    """
    return json.dumps(plain_values(summary), ensure_ascii=False, allow_nan=False, indent=2)


def plain_values(value: Any) -> Any:
    """The value with nothing in it but what JSON knows."""
    if isinstance(value, Mapping):
        return {str(key): plain_values(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain_values(value.tolist())
    if isinstance(value, list | tuple):
        return [plain_values(item) for item in value]
    return _plain_scalar(value.item() if isinstance(value, np.generic) else value)


def _plain_scalar(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, dt.datetime | dt.date | dt.time):
        return None if value != value else value.isoformat()  # NaT is not equal to itself
    # A lone surrogate cannot be written as UTF-8.
    return str(value).encode("utf-8", "replace").decode("utf-8")
