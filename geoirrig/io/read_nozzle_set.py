"""Nozzle sets: which nozzle is to replace which, or goes on which head."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.io.column_values import (
    check_required_columns,
    filled_rows,
    has_column,
    named_ids,
    number_column,
    require_stated,
    row_ids,
    text_column,
)
from geoirrig.io.columns import HEADS, LayerSchema, TextColumn, listed, nearest_hint
from geoirrig.io.file_formats import CSV, vector_format
from geoirrig.io.open_layer import LayerTable, read_layer
from geoirrig.records import NozzleSet, ObjectArray

EXISTING = "existing"  # what the layout as it stands is called beside the sets

_PRESSURE = HEADS.number("pressure_kpa")
BY_NOZZLE = LayerSchema(
    layer="nozzle_set",
    required=("from_nozzle", "to_nozzle"),
    columns=(
        TextColumn(name="from_nozzle"),
        TextColumn(name="to_nozzle"),
        TextColumn(name="zone"),
        _PRESSURE,
    ),
)
BY_HEAD = LayerSchema(
    layer="nozzle_set",
    id_column="head_id",
    is_id_unique=True,
    required=("head_id", "nozzle"),
    columns=(TextColumn(name="head_id"), TextColumn(name="nozzle"), _PRESSURE),
)


def read_nozzle_sets(paths: Iterable[Path], problems: ProblemList) -> tuple[NozzleSet, ...]:
    """Every set that could be read, each with a name of its own.

    Parameters
    ----------
    paths : iterable of Path
        CSV files.
    problems : ProblemList
        Takes problems and warnings.
    """
    found = [read_nozzle_set(path, problems) for path in paths]
    sets = tuple(nozzle_set for nozzle_set in found if nozzle_set is not None)
    names = [nozzle_set.name for nozzle_set in sets]
    twice = list(dict.fromkeys(name for name in names if names.count(name) > 1))
    if twice:
        problems.add(
            f"Two nozzle sets are named {listed(twice)}. A set has the name of its file: rename "
            "one file, or give it once."
        )
    return sets


def read_nozzle_set(path: Path, problems: ProblemList) -> NozzleSet | None:
    """A nozzle set; None, with the problem noted, where it cannot be read.

    Parameters
    ----------
    path : Path
        CSV with the columns ``from_nozzle``, ``to_nozzle`` and, optionally, ``zone``; or with
        ``head_id`` and ``nozzle``. Either may have a pressure (``pressure_kpa``, ``_psi`` or
        ``_bar``); a row with one may leave the new nozzle empty: the head keeps its own.
    problems : ProblemList
        Takes problems and warnings. Whether the nozzles, zones and heads exist is checked when
        the set is put on a layout.
    """
    try:
        if vector_format(path) is not CSV:
            raise GeoirrigError(f"{str(path)!r} is not a CSV file. Give the nozzle set as CSV.")
    except GeoirrigError as error:
        problems.add(f"Nozzle set: {error}")
        return None
    table = read_layer(path, path.stem, LayerSchema(layer="nozzle_set"), problems)
    if table is None:
        return None
    schema = _schema(table, problems)
    if table.n_rows == 0:
        problems.add(f"{table.start} holds no rows. Say which nozzle replaces which.")
    if schema is None or table.n_rows == 0:
        return None
    return _nozzle_set(
        path.stem,
        LayerTable(schema=schema, place=table.place, feature=table.feature, columns=table.columns),
        problems,
    )


def _schema(table: LayerTable, problems: ProblemList) -> LayerSchema | None:
    """Which of the two kinds of set the columns make; a problem where neither or both."""
    of_nozzle = {"from_nozzle", "to_nozzle"} & set(table.columns)
    of_head = {"head_id", "nozzle"} & set(table.columns)
    if of_nozzle and of_head:
        problems.add(
            f"{table.start} has {listed(sorted(of_nozzle | of_head))}. A nozzle set has either "
            "from_nozzle and to_nozzle, or head_id and nozzle: make two sets of it."
        )
        return None
    if not of_nozzle and not of_head:
        known = BY_NOZZLE.accepted_names | BY_HEAD.accepted_names
        hint = next((h for name in table.columns if (h := nearest_hint(name, known))), "")
        problems.add(
            f"{table.start} has neither from_nozzle and to_nozzle nor head_id and nozzle; it has "
            f"{listed(table.columns)}. Name the columns so.{hint}"
        )
        return None
    return BY_NOZZLE if of_nozzle else BY_HEAD


def _nozzle_set(name: str, table: LayerTable, problems: ProblemList) -> NozzleSet:
    check_required_columns(table, problems)
    _check_columns_known(table, problems)
    if name == EXISTING:
        problems.add(
            f"{table.start}: a nozzle set cannot be named {EXISTING!r}, which is the layout as it "
            "stands. Rename the file."
        )
    by_head = table.schema is BY_HEAD
    head_id: ObjectArray = np.full(table.n_rows, "", dtype=object)
    from_nozzle = head_id
    if by_head:
        head_id = row_ids(table, problems)
    else:
        from_nozzle = text_column(table, "from_nozzle", problems)
        require_stated(table, "from_nozzle", from_nozzle == "", problems)
    wanted = "nozzle" if by_head else "to_nozzle"
    to_nozzle = text_column(table, wanted, problems)
    pressure = number_column(table, "pressure_kpa", problems)
    says_nothing = (to_nozzle == "") & ~filled_rows(table, "pressure_kpa")
    if says_nothing.any() and has_column(table, wanted):
        problems.add(
            f"{table.start}: {wanted} is empty for {_rows(table, says_nothing)}. Name the new "
            "nozzle; only a row with a pressure may keep the nozzle that is there."
        )
    return NozzleSet(
        name=name,
        head_id=head_id,
        from_nozzle=from_nozzle,
        zone=text_column(table, "zone", problems)
        if not by_head
        else np.full(table.n_rows, "", dtype=object),
        to_nozzle=to_nozzle,
        pressure_kpa=pressure,
    )


def _check_columns_known(table: LayerTable, problems: ProblemList) -> None:
    """Warn of columns without a meaning: a set carries nothing through, so they may be slips."""
    unknown = [name for name in table.columns if name not in table.schema.spellings]
    if unknown:
        hint = nearest_hint(unknown[0], sorted(table.schema.accepted_names))
        problems.warn(f"{table.start}: columns without a meaning: {listed(unknown)}.{hint}")


def _rows(table: LayerTable, is_meant: np.ndarray) -> str:
    if table.schema.id_column is not None:
        return named_ids(table, is_meant)
    rows: Sequence[int] = table.feature[is_meant].tolist()
    rest = len(rows) - 3
    more = f" and {rest} more" if rest > 0 else ""
    return f"row {', '.join(str(row) for row in rows[:3])}{more}"
