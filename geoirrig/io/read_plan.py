"""Heads and areas of a surveyed plan, as its roles name them, in plan coordinates."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from geoirrig.errors import ProblemList
from geoirrig.io.plan_areas import PlanArea, role_areas
from geoirrig.io.plan_entities import BlockContents, PlacedEntity, kind_counts, placed_entities
from geoirrig.io.plan_roles import PlanLayer, PlanRole, PlanRoles, unused_hint
from geoirrig.io.plan_shapes import SOLID_KINDS
from geoirrig.units import FloatArray

if TYPE_CHECKING:
    from ezdxf.document import Drawing

_HEAD_KINDS = ("INSERT", "POINT")
_TEXT_KINDS = ("TEXT", "MTEXT")
_FULL_CIRCLE_DEG = 360.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanHead:
    """A head on the plan: its place, and the plan direction of what its block marks."""

    thing: PlacedEntity
    role: PlanRole
    xy: tuple[float, float]
    mark_bearing_deg: float  # on the plan, clockwise from +y; NaN where nothing is marked
    is_mirrored: bool  # the block is drawn as its mirror image


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyedPlan:
    """What the roles took from a plan; coordinates in plan units."""

    heads: tuple[PlanHead, ...]
    areas: Mapping[PlanLayer, tuple[PlanArea, ...]]
    ignored_texts: int  # texts that are no block attributes
    unread: Mapping[str, int]  # kinds on the named layers that have no outline to read


def read_plan(
    drawing: Drawing,
    roles: PlanRoles,
    *,
    metres_per_plan_unit: float,
    place: str,
    problems: ProblemList,
) -> SurveyedPlan:
    """Everything that the roles name.

    Parameters
    ----------
    drawing : Drawing
        The plan.
    roles : PlanRoles
        What its layers and blocks stand for.
    metres_per_plan_unit : float
        Scale of the plan, for the tolerances. [m]
    place : str
        "Plan 'court.dxf'", for messages.
    problems : ProblemList
        Takes open lines, roles that find nothing, and warnings.
    """
    found = _by_role(drawing, roles)
    for role, things in found.items.items():
        usable = [t for t in things if role.layer != "heads" or t.kind in _HEAD_KINDS]
        if not usable and (role.layer == "heads" or not things):
            _note_nothing_found(role, things, drawing, place, problems)
    _warn_of_hidden_layers(drawing, found.items, place, problems)
    heads = tuple(
        _head(thing, role)
        for role, things in found.items.items()
        if role.layer == "heads"
        for thing in things
        if thing.kind in _HEAD_KINDS
    )
    areas: dict[PlanLayer, tuple[PlanArea, ...]] = {}
    unread: Counter[str] = Counter()
    for role, things in found.items.items():
        if role.layer == "heads":
            continue
        read = role_areas(
            things,
            role,
            tolerance=roles.flatten_tolerance_m / metres_per_plan_unit,
            closing_gap=roles.closing_gap_m / metres_per_plan_unit,
            metres_per_plan_unit=metres_per_plan_unit,
            place=place,
            problems=problems,
        )
        areas[role.layer] = areas.get(role.layer, ()) + read.areas
        unread.update(read.unread)
        if things and not read.areas and not read.has_fault:
            _note_nothing_found(role, things, drawing, place, problems)
    return SurveyedPlan(heads=heads, areas=areas, ignored_texts=found.texts, unread=unread)


def start_bearings(
    heads: Sequence[PlanHead], arc_deg: FloatArray, map_bearing_deg: FloatArray
) -> FloatArray:
    """Bearing on the map of the edge from which each arc sweeps clockwise; NaN where unknown.

    A mirrored block shows its arc turned over: what is drawn as its first edge is its last.

    Parameters
    ----------
    heads : sequence of PlanHead
        The heads.
    arc_deg : ndarray, shape (n_heads,)
        Their arcs; NaN counts as a full circle. [°]
    map_bearing_deg : ndarray, shape (n_heads,)
        Bearing of their marks on the map. [°]
    """
    arc = np.where(np.isnan(arc_deg), _FULL_CIRCLE_DEG, arc_deg)
    share = np.array([_swept_before_mark(head) for head in heads], dtype=np.float64)
    bearing = np.asarray((map_bearing_deg - share * arc) % _FULL_CIRCLE_DEG, dtype=np.float64)
    # a bearing just below 360 is drawn at 0
    return np.asarray(np.round(bearing, 6) % _FULL_CIRCLE_DEG)


# --- finding -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    items: Mapping[PlanRole, list[PlacedEntity]]
    texts: int


def _by_role(drawing: Drawing, roles: PlanRoles) -> _Found:
    """Things by the role that takes them, the first that fits, in the order of the drawing."""
    chooser = _RoleChooser(drawing, roles)
    items: dict[PlanRole, list[PlacedEntity]] = {role: [] for role in roles.roles}
    texts = 0
    for thing in placed_entities(drawing, chooser.enters):
        texts += thing.kind in _TEXT_KINDS
        role = chooser.role_of(thing)
        if role is not None:
            items[role].append(thing)
    return _Found(items=items, texts=texts)


class _RoleChooser:
    """Which role takes a thing, and which blocks are worth looking into."""

    def __init__(self, drawing: Drawing, roles: PlanRoles) -> None:
        self._contents = BlockContents(drawing)
        self._heads = roles.of_layer("heads")
        self._areas = tuple(role for role in roles.roles if role.layer != "heads")

    def role_of(self, thing: PlacedEntity) -> PlanRole | None:
        """The first role that takes a thing: an insert by its own block, others by any around."""
        is_insert = thing.kind == "INSERT"
        roles = self._heads if thing.kind in _HEAD_KINDS else self._areas
        blocks = thing.blocks[-1:] if is_insert else thing.blocks
        return next((role for role in roles if role.takes(thing.layer, blocks)), None)

    def enters(self, insert: PlacedEntity) -> bool:
        """Whether anything in a block can be meant; the symbol of a head is not looked into."""
        if self.role_of(insert) is not None:
            return False
        layers, blocks = self._contents.of(insert.blocks[-1])
        within = (*insert.blocks, *blocks)
        return any(
            role.takes(insert.layer if layer == "0" else layer, within)
            for role in (*self._areas, *self._heads)
            for layer in layers
        )


def _head(thing: PlacedEntity, role: PlanRole) -> PlanHead:
    entity: Any = thing.entity
    if thing.kind == "POINT":
        x, y, _ = entity.dxf.location
        return PlanHead(
            thing=thing, role=role, xy=(x, y), mark_bearing_deg=math.nan, is_mirrored=False
        )
    matrix = entity.matrix44()
    x, y, _ = entity.ocs().to_wcs(entity.dxf.insert)
    right, up = matrix.transform_direction((1, 0, 0)), matrix.transform_direction((0, 1, 0))
    bearing = math.nan
    if role.rotation is not None:
        zero = math.radians(role.zero_bearing_deg)
        mark = math.sin(zero) * right + math.cos(zero) * up
        bearing = math.degrees(math.atan2(mark.x, mark.y))
    return PlanHead(
        thing=thing,
        role=role,
        xy=(x, y),
        mark_bearing_deg=bearing,
        is_mirrored=right.x * up.y - right.y * up.x < 0.0,
    )


def _swept_before_mark(head: PlanHead) -> float:
    """Share of the arc that lies between its first edge and the mark; NaN without a mark."""
    if head.role.rotation is None:
        return math.nan
    share = {"first_edge": 0.0, "arc_middle": 0.5, "last_edge": 1.0}[head.role.rotation]
    return 1.0 - share if head.is_mirrored else share


# --- telling -------------------------------------------------------------------------------------


def _note_nothing_found(
    role: PlanRole,
    things: Sequence[PlacedEntity],
    drawing: Drawing,
    place: str,
    problems: ProblemList,
) -> None:
    wanted = "inserts of blocks or points" if role.layer == "heads" else "closed lines or hatches"
    if things:
        kinds = kind_counts(things)
        held = ", ".join(f"{count} {kind}" for kind, count in kinds.most_common(5))
        solids = any(kind in SOLID_KINDS for kind in kinds)
        advice = (
            "Solids and meshes have no outline: export the plan in 2-D."
            if solids
            else f"Draw them as {wanted}, or correct the roles file."
        )
        problems.add(
            f"{place}: no {role.layer} can be read from {role.shown}; it holds {held}. {advice}"
        )
        return
    used = [str(entity.dxf.get("layer", "0")) for entity in drawing.modelspace()]
    if not used:
        problems.add(
            f"{place} has nothing in its model space, the only part that is read. The drawing may "
            "lie in paper space, or the file be cut off. Export it again."
        )
        return
    known_layers = list(dict.fromkeys([*used, *(layer.dxf.name for layer in drawing.layers)]))
    known_blocks = _inserted_blocks(drawing)
    hints = [unused_hint(name, known_layers) for name in role.layers[:1]]
    hints += [unused_hint(name, known_blocks) for name in role.blocks[:1]]
    problems.add(
        f"{place}: nothing on the plan is {role.layer}; looked for {role.shown}.{''.join(hints)} "
        "Correct the roles file."
    )


def _inserted_blocks(drawing: Drawing) -> list[str]:
    """Names of the blocks that stand on the plan, also within others."""
    inserted = {str(i.dxf.get("name", "")): None for i in drawing.modelspace().query("INSERT")}
    contents = BlockContents(drawing)
    within = {name for block in inserted for name in contents.of(block)[1]}
    return [*inserted, *sorted(within - inserted.keys())]


def _warn_of_hidden_layers(
    drawing: Drawing,
    items: Mapping[PlanRole, Sequence[PlacedEntity]],
    place: str,
    problems: ProblemList,
) -> None:
    used = {thing.layer for things in items.values() for thing in things}
    hidden = sorted(
        name
        for name in used
        if drawing.layers.has_entry(name)
        and (drawing.layers.get(name).is_off() or drawing.layers.get(name).is_frozen())
    )
    if hidden:
        problems.warn(
            f"{place}: layer {', '.join(repr(name) for name in hidden)} is off or frozen; it was "
            "read all the same."
        )
