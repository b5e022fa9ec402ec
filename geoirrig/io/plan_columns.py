"""Columns of an input layer from what a plan says: attributes, names, constants, numbers."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Sequence

import numpy as np

from geoirrig.errors import ProblemList
from geoirrig.io.columns import LAYERS, NumberColumn
from geoirrig.io.plan_entities import PlacedEntity, anchor
from geoirrig.io.plan_roles import ColumnSource, PlanLayer, PlanRole
from geoirrig.records import ObjectArray

_NAMED_AT_MOST = 5  # things at fault that one message names


def plan_columns(
    things: Sequence[tuple[PlacedEntity, PlanRole]],
    layer: PlanLayer,
    *,
    place: str,
    problems: ProblemList,
) -> dict[str, ObjectArray]:
    """Columns of an input layer from attributes, names, constants and numbers.

    Numbers are numbers where the text is one; a blank text is None. An attribute that a block
    does not have, one that is blank though its column is required, and a name that does not fit
    are noted with handle and position.

    Parameters
    ----------
    things : sequence of (PlacedEntity, PlanRole)
        One for each row.
    layer : str
        The input layer.
    place : str
        "Plan 'court.dxf'", for messages.
    problems : ProblemList
        Takes what is missing.
    """
    names = dict.fromkeys(source.column for _, role in things for source in role.columns)
    columns: dict[str, ObjectArray] = {
        name: np.full(len(things), None, dtype=object) for name in names
    }
    number_names = {
        spelling
        for column in LAYERS[layer].columns
        if isinstance(column, NumberColumn)
        for spelling in column.spellings
    }
    required = {
        spelling
        for name in LAYERS[layer].required
        for spelling in LAYERS[layer].column(name).spellings
    }
    missing: dict[str, list[PlacedEntity]] = defaultdict(list)
    count: Counter[int] = Counter()
    for row, (thing, role) in enumerate(things):
        count[id(role)] += 1
        for source in role.columns:
            text = _source_text(source, thing, count[id(role)])
            if text is None:
                missing[_what_is_missing(source.kind, source.text, source.column)].append(thing)
                continue
            if source.kind == "from_attribute" and source.column in required and not text.strip():
                what = f"attribute {source.text!r}, from which {source.column} is to come, is blank"
                missing[what].append(thing)
            columns[source.column][row] = _value(text, is_number=source.column in number_names)
    for what, without in missing.items():
        problems.add(
            f"{place}, {layer}: {what}: {named_things(without)}. Add it on the plan, or correct "
            "the roles file."
        )
    return columns


def named_things(things: Sequence[PlacedEntity]) -> str:
    """Things of a plan with block or kind, handle and position, the rest counted."""
    named = []
    for thing in things[:_NAMED_AT_MOST]:
        what = f"block {thing.blocks[-1]!r}" if thing.blocks else thing.kind
        named.append(f"{what} (handle {thing.handle}) at {_position(thing)}")
    rest = len(things) - _NAMED_AT_MOST
    return ", ".join(named) + (f" and {rest} more" if rest > 0 else "")


def _source_text(source: ColumnSource, thing: PlacedEntity, number: int) -> str | None:
    """What a source says of a thing; None where it says nothing."""
    if source.kind == "constant":
        return source.text
    if source.kind == "numbered":
        return f"{source.text}{number}"
    if source.kind == "from_attribute":
        return thing.attributes.get(source.text.upper())
    if source.kind == "from_layer":
        return source.part_of(thing.layer)
    parts = [source.part_of(block) for block in reversed(thing.blocks)]
    return next((part for part in parts if part is not None), None)


def _what_is_missing(kind: str, text: str, column: str) -> str:
    if kind == "from_attribute":
        return f"no attribute {text!r}, from which {column} is to come"
    what = "layer" if kind == "from_layer" else "block"
    return f"the name of the {what} does not fit {text!r}, from which {column} is to come"


def _value(text: str, *, is_number: bool) -> str | float | None:
    if not text.strip():
        return None
    if is_number:
        try:
            number = float(text)
        except ValueError:
            return text  # told as a value at fault when the layer is checked
        return number if math.isfinite(number) and "_" not in text else text
    return text


def _position(thing: PlacedEntity) -> str:
    place = anchor(thing.entity)
    return "an unknown place" if place is None else f"({place[0]:.6g}, {place[1]:.6g})"
