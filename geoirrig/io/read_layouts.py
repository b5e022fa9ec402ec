"""The layout of a site: heads, nozzles, profiles and zones, also under nozzle sets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from geoirrig.errors import ProblemList
from geoirrig.io.column_values import texts
from geoirrig.io.open_layer import LayerTable
from geoirrig.io.read_heads import (
    StatedHeads,
    check_heads_reach_turf,
    read_heads,
    sprinkler_layout,
)
from geoirrig.io.read_nozzles import (
    Nozzle,
    check_profiles_known,
    read_nozzles,
    read_profiles,
)
from geoirrig.io.read_turf import PlacedTurf
from geoirrig.io.read_zones import read_zone_plan
from geoirrig.io.replace_nozzles import (
    pressure_step,
    replace_nozzles,
    warn_of_raised_pressure,
)
from geoirrig.physics.radial_distribution import RadialProfile
from geoirrig.records import NozzleSet, SprinklerLayout, ZonePlan


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutAlternative:
    """The layout of a site under a nozzle set.

    Attributes
    ----------
    name : str
        Name of the set.
    layout : SprinklerLayout
        With the nozzles and pressures of the set.
    at_new_pressure : SprinklerLayout or None
        With the nozzles that are there at the pressures of the set; None where it states none.
    warnings : tuple of str
        What only this layout gave cause for.
    """

    name: str
    layout: SprinklerLayout
    at_new_pressure: SprinklerLayout | None
    warnings: tuple[str, ...]


def read_layouts(
    tables: Mapping[str, LayerTable],
    unreadable: frozenset[str],
    turf: PlacedTurf,
    problems: ProblemList,
    nozzle_sets: Sequence[NozzleSet],
) -> tuple[SprinklerLayout | None, ZonePlan | None, tuple[LayoutAlternative, ...]]:
    """Heads with their nozzles, profiles and zones, as they stand and under each nozzle set.

    Parameters
    ----------
    tables : mapping of str to LayerTable
        Layers that could be read, by role.
    unreadable : frozenset of str
        Roles whose layer could not.
    turf : PlacedTurf
        Turf and the working plane, as far as they are known.
    problems : ProblemList
        Takes problems and the warnings of the layout as it stands.
    nozzle_sets : sequence of NozzleSet
        Sets under which the layout is wanted too.

    Returns
    -------
    tuple of SprinklerLayout, ZonePlan and tuple of LayoutAlternative
        None where there is no heads layer.
    """
    profiles: dict[str, RadialProfile] | None = None
    if "profiles" in tables:
        profiles = read_profiles(tables["profiles"], problems)
    nozzles: dict[str, Nozzle] = {}
    faulty: frozenset[str] = frozenset()
    if "nozzles" in tables:
        table = tables["nozzles"]
        nozzles = read_nozzles(table, problems)
        if "profiles" not in unreadable:
            check_profiles_known(table, nozzles, _with_faulty(profiles, tables), problems)
        faulty = _names_in(table, "nozzle") - frozenset(nozzles)
    if "heads" not in tables:
        return None, None, ()
    heads = read_heads(tables["heads"], turf.plane, problems)
    if "nozzles" in unreadable:  # none of them is known, and why was told already
        faulty = frozenset(heads.nozzle.tolist())
        faulty = faulty.union(*(nozzle_set.to_nozzle.tolist() for nozzle_set in nozzle_sets))
    zone_plan = read_zone_plan(tables.get("zones"), heads.zone, problems)

    def laid_out(of: StatedHeads, faulty: frozenset[str], noted: ProblemList) -> SprinklerLayout:
        layout = sprinkler_layout(
            of, nozzles, profiles or {}, zone_plan, faulty_nozzles=faulty, problems=noted
        )
        if turf.areas is not None:
            check_heads_reach_turf(layout, turf.areas.geometry, tables["heads"], noted)
        return layout

    layout = laid_out(heads, faulty, problems)
    alternatives = []
    for nozzle_set in nozzle_sets:
        own, silent = ProblemList(), ProblemList()
        changed = replace_nozzles(heads, nozzle_set, nozzles, own, faulty_nozzles=faulty)
        warn_of_raised_pressure(nozzle_set.name, heads.pressure_kpa, changed.pressure_kpa, own)
        told = faulty.union(nozzle_set.to_nozzle.tolist())
        of_set = laid_out(changed, told, own)
        step = pressure_step(nozzle_set)
        at_new_pressure = None
        if step is not None:
            moved = replace_nozzles(heads, step, nozzles, silent, faulty_nozzles=faulty)
            at_new_pressure = laid_out(moved, faulty, silent)
        alternatives.append(
            LayoutAlternative(
                name=nozzle_set.name,
                layout=of_set,
                at_new_pressure=at_new_pressure,
                warnings=_pass_on(own, nozzle_set.name, problems),
            )
        )
    return layout, zone_plan, tuple(alternatives)


def _pass_on(own: ProblemList, name: str, problems: ProblemList) -> tuple[str, ...]:
    """Add what only a nozzle set gave cause for, with its name; the warnings come back."""
    for message in own.problems:
        if message not in problems.problems:
            problems.add(_of_set(message, name))
    return tuple(_of_set(text, name) for text in own.warnings if text not in problems.warnings)


def _of_set(message: str, name: str) -> str:
    start = f"Nozzle set {name!r}"
    return message if message.startswith(start) else f"{start}: {message}"


def _with_faulty(
    profiles: dict[str, RadialProfile] | None, tables: Mapping[str, LayerTable]
) -> dict[str, RadialProfile] | None:
    """Profiles by name, those at fault included, since their fault has been noted already."""
    if profiles is None:
        return None
    stand_in = RadialProfile(name="", distance_fraction=(0.0, 1.0), relative_rate=(1.0, 1.0))
    return {**dict.fromkeys(_names_in(tables["profiles"], "profile"), stand_in), **profiles}


def _names_in(table: LayerTable, column: str) -> frozenset[str]:
    values = table.columns.get(column)
    return frozenset() if values is None else frozenset(t.strip() for t in texts(values))
