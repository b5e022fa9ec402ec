"""The roles file: what the layers and blocks of a surveyed plan stand for.

TOML with a list of tables for each input layer: ``[[heads]]``, ``[[turf]]``, ``[[hardscape]]`` and
``[[parcels]]``. Each says which DXF layers or blocks it takes and where its columns come from.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any, Literal, get_args

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.io.columns import HEADS, LAYERS, LayerSchema, NumberColumn, listed, nearest_hint
from geoirrig.io.toml_reading import TomlReading, finite_number, toml_tables, toml_text
from geoirrig.physics.plan_transform import TransformMethod

PlanLayer = Literal["heads", "turf", "hardscape", "parcels"]
RotationMark = Literal["first_edge", "arc_middle", "last_edge"]
InnerLines = Literal["separate", "holes"]
SourceKind = Literal["from_attribute", "from_layer", "from_block", "constant", "numbered"]

DEFAULT_FLATTEN_TOLERANCE_M = 0.005
DEFAULT_CLOSING_GAP_M = 0.05  # judgement: what a survey leaves open without meaning to
EAST_DEG = 90.0  # bearing of the x axis, along which blocks are commonly drawn
_FILE_KEYS = ("transform", "flatten_tolerance_m", "closing_gap_m")
_SOURCE_KINDS: tuple[SourceKind, ...] = get_args(SourceKind)
_HEAD_KEYS = ("layers", "blocks", "rotation", "zero_bearing_deg", *_SOURCE_KINDS)
_AREA_KEYS = ("layers", "blocks", "inner_lines", *_SOURCE_KINDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnSource:
    """Where the values of one column come from.

    ``from_attribute``: a block attribute of that tag. ``from_layer`` and ``from_block``: the part
    of the name that stands at the ``*`` of the text. ``constant``: the text. ``numbered``: the
    text with the number of the thing behind it.
    """

    column: str
    kind: SourceKind
    text: str

    def part_of(self, name: str) -> str | None:
        """The part of a name at the star; None where the name does not fit."""
        before, after = self.text.split("*")
        pattern = re.escape(before) + "(.*)" + re.escape(after)
        found = re.fullmatch(pattern, name, re.IGNORECASE)
        return None if found is None else found.group(1)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRole:
    """One kind of thing to take from the plan.

    Attributes
    ----------
    layer : str
        Input layer that it becomes.
    layers, blocks : tuple of str
        Names on the plan, with ``*`` for any text; where both are given, both must fit.
    columns : tuple of ColumnSource
        One for each column.
    rotation : {"first_edge", "arc_middle", "last_edge"} or None
        Heads: what the drawn direction of the block marks; the arc sweeps clockwise from its
        first edge to its last. None: the rotation says nothing.
    zero_bearing_deg : float
        Heads: where that mark points in the block as drawn, clockwise from its y axis.
    inner_lines : {"separate", "holes"}
        Areas: what a closed line inside another one of this role is.
    """

    layer: PlanLayer
    layers: tuple[str, ...] = ()
    blocks: tuple[str, ...] = ()
    columns: tuple[ColumnSource, ...]
    rotation: RotationMark | None = None
    zero_bearing_deg: float = EAST_DEG
    inner_lines: InnerLines = "separate"

    def takes(self, layer: str, blocks: Sequence[str]) -> bool:
        """Whether a thing on a layer, in these blocks, is meant; capitals do not count."""
        return (not self.layers or fits_any(layer, self.layers)) and (
            not self.blocks or any(fits_any(block, self.blocks) for block in blocks)
        )

    @property
    def shown(self) -> str:
        """What is looked for, in words."""
        parts = []
        if self.layers:
            parts.append(f"layer {listed(self.layers)}")
        if self.blocks:
            parts.append(f"block {listed(self.blocks)}")
        return " and ".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRoles:
    """A roles file."""

    roles: tuple[PlanRole, ...]
    transform: TransformMethod = "similarity"
    flatten_tolerance_m: float = DEFAULT_FLATTEN_TOLERANCE_M
    closing_gap_m: float = DEFAULT_CLOSING_GAP_M

    def of_layer(self, layer: PlanLayer) -> tuple[PlanRole, ...]:
        """Roles that make one input layer."""
        return tuple(role for role in self.roles if role.layer == layer)


def fits_any(name: str, patterns: Sequence[str]) -> bool:
    """Whether a name of the plan fits a pattern; DXF names do not tell capitals from small."""
    folded = name.casefold()
    return any(fnmatchcase(folded, pattern.casefold().replace("[", "[[]")) for pattern in patterns)


def read_plan_roles(path: Path, problems: ProblemList) -> PlanRoles | None:
    """Roles of a TOML file; None, with every fault noted, where it has any.

    Parameters
    ----------
    path : Path
        The roles file.
    problems : ProblemList
        Takes unknown and missing keys, columns without a source, values out of range.
    """
    shown = f"Roles file {path.name!r}"
    try:
        stated = toml_tables(toml_text(path, shown=shown), shown=shown)
    except GeoirrigError as error:
        problems.add(str(error))
        return None
    reading = _Reading(shown, problems)
    before = reading.fault_count
    roles = reading.plan_roles(stated)
    return roles if reading.fault_count == before else None


class _Reading(TomlReading):
    """The faults of one roles file, each told with the place it stands in."""

    def plan_roles(self, stated: Mapping[str, Any]) -> PlanRoles:
        plan_layers: tuple[PlanLayer, ...] = get_args(PlanLayer)
        self.check_keys(stated, (*_FILE_KEYS, *plan_layers), required=())
        roles = []
        for layer in plan_layers:
            entries = stated.get(layer, [])
            if not isinstance(entries, list):
                self.note(f"{layer} must be a list of tables. Write [[{layer}]] above it.")
                continue
            roles += [
                part._role(layer, entry, entries) for part, entry in self.entries(entries, layer)
            ]
        if not roles:
            self.note(
                f"names nothing to read. Add at least one of "
                f"{', '.join(f'[[{layer}]]' for layer in plan_layers)}."
            )
        method = self.word(stated, "transform", get_args(TransformMethod)) or "similarity"
        return PlanRoles(
            roles=tuple(roles),
            transform=method,  # type: ignore[arg-type]  # the word was checked
            flatten_tolerance_m=self._length(
                stated, "flatten_tolerance_m", DEFAULT_FLATTEN_TOLERANCE_M, 1e-4, 1.0
            ),
            closing_gap_m=self._length(stated, "closing_gap_m", DEFAULT_CLOSING_GAP_M, 0.0, 5.0),
        )

    def _role(self, layer: PlanLayer, stated: Mapping[str, Any], entries: list[Any]) -> PlanRole:
        self.check_keys(stated, _HEAD_KEYS if layer == "heads" else _AREA_KEYS, required=())
        layers, blocks = self._names(stated, "layers"), self._names(stated, "blocks")
        if not layers and not blocks:
            self.note("neither layers nor blocks is given. Say what to take from the plan.")
        columns = self._columns(LAYERS[layer], stated)
        if len(entries) > 1:
            self._note_repeated_numbers(columns, entries)
        rotation = self.word(stated, "rotation", get_args(RotationMark)) or None
        if rotation and any(source.column == "start_bearing_deg" for source in columns):
            self.note("start_bearing_deg comes from rotation and from a source too. Keep one.")
        if "zero_bearing_deg" in stated and "rotation" not in stated:
            self.note("zero_bearing_deg needs rotation. Add it, or remove zero_bearing_deg.")
        inner = self.word(stated, "inner_lines", get_args(InnerLines)) or "separate"
        return PlanRole(
            layer=layer,
            layers=layers,
            blocks=blocks,
            columns=columns,
            rotation=rotation,  # type: ignore[arg-type]  # the word was checked
            zero_bearing_deg=self._length(stated, "zero_bearing_deg", EAST_DEG, -360.0, 360.0),
            inner_lines=inner,  # type: ignore[arg-type]  # the word was checked
        )

    def _columns(self, schema: LayerSchema, stated: Mapping[str, Any]) -> tuple[ColumnSource, ...]:
        sources: list[ColumnSource] = []
        for kind in _SOURCE_KINDS:
            entries = stated.get(kind, {})
            if not isinstance(entries, Mapping):
                self.note(f"{kind} must be a table of columns; got {entries!r}.")
                continue
            for column, value in entries.items():
                text = self._source_text(kind, column, value)
                if any(source.column == column for source in sources):
                    self.note(f"column {column!r} has two sources. Keep one of them.")
                sources.append(ColumnSource(column=column, kind=kind, text=text))
        self._check_columns(schema, [source.column for source in sources])
        return tuple(sources)

    def _source_text(self, kind: SourceKind, column: str, value: object) -> str:
        if kind == "constant" and finite_number(value) is not None:
            return str(value)
        if not isinstance(value, str) or (kind != "numbered" and not value.strip()):
            self.note(f"{kind}, {column} must be text that is not blank; got {value!r}.")
            return "*"
        if kind in ("from_layer", "from_block") and value.count("*") != 1:
            self.note(
                f"{kind}, {column} must have one * where the value stands in the name, such as "
                f"'IRR-ZONE-*'; got {value!r}."
            )
            return "*"
        return value.strip()

    def _check_columns(self, schema: LayerSchema, columns: list[str]) -> None:
        """Note what the layer needs and nobody fills, and names that look like a slip."""
        for name in schema.required:
            spellings = schema.column(name).spellings
            if not any(column in spellings for column in columns):
                self.note(
                    f"no source for the column {_either(spellings)}, which {schema.layer} needs. "
                    f"Add it to one of {', '.join(_SOURCE_KINDS)}."
                )
        bare = {
            column.unitless_name: column.spellings
            for column in schema.columns
            if isinstance(column, NumberColumn) and column.has_units
        }
        for column in columns:
            if column in bare:
                self.note(
                    f"column {column!r} names no unit. Write {_either(bare[column])}, whichever "
                    "the plan states."
                )
        if schema is HEADS:
            self._check_throw(columns)

    def _check_throw(self, columns: list[str]) -> None:
        has = {
            name: any(spelling in columns for spelling in HEADS.column(name).spellings)
            for name in ("nozzle", "radius_m", "flow_lpm")
        }
        if not has["nozzle"] and not (has["radius_m"] and has["flow_lpm"]):
            self.note("heads need a source for 'nozzle', or for a radius and a flow. Add it.")

    def _note_repeated_numbers(
        self, columns: Sequence[ColumnSource], entries: Sequence[Any]
    ) -> None:
        """Two roles that number from 1 with the same text would give the same ids."""
        for source in columns:
            if source.kind != "numbered":
                continue
            same = [e.get("numbered", {}) for e in entries if isinstance(e, Mapping)]
            texts = [n.get(source.column) for n in same if isinstance(n, Mapping)]
            if texts.count(source.text) > 1:
                self.note(
                    f"numbered, {source.column} is {source.text!r} in another table of this layer "
                    "too; their ids would be the same. Give each its own text."
                )

    def _names(self, stated: Mapping[str, Any], key: str) -> tuple[str, ...]:
        names = stated.get(key, [])
        if isinstance(names, str):
            names = [names]
        if not isinstance(names, list) or not all(isinstance(n, str) and n.strip() for n in names):
            self.note(f"{key} must be a list of names; got {names!r}.")
            return ()
        return tuple(name.strip() for name in names)

    def _length(
        self, stated: Mapping[str, Any], key: str, default: float, least: float, most: float
    ) -> float:
        if key not in stated:
            return default
        number = finite_number(stated[key])
        if number is None or not least <= number <= most:
            self.note(f"{key} must be a number from {least:g} to {most:g}; got {stated[key]!r}.")
            return default
        return number


def _either(names: Iterable[str]) -> str:
    return " or ".join(repr(name) for name in names)


def unused_hint(name: str, known: Sequence[str]) -> str:
    """What of the plan may be meant by a name that it does not have."""
    return nearest_hint(name.replace("*", ""), known) or f" It has {listed(known)}."
