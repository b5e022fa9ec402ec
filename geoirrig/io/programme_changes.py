"""The nozzle set that a programme pays for: its own file, or made from its replacements."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path

import numpy as np

from geoirrig.errors import ProblemList
from geoirrig.io.columns import listed, nearest_hint
from geoirrig.io.read_nozzle_set import read_nozzle_set
from geoirrig.io.read_nozzles import Nozzle
from geoirrig.programme import Programme, Replacement
from geoirrig.records import NozzleSet


def programme_nozzle_set(
    programme: Programme,
    path: Path,
    nozzles: Mapping[str, Nozzle],
    in_use: Collection[str],
    problems: ProblemList,
) -> NozzleSet | None:
    """What a programme puts in the place of what.

    Parameters
    ----------
    programme : Programme
        With a nozzle set file, looked for beside the programme file, or with replacements.
    path : Path
        The programme file.
    nozzles : mapping of str to Nozzle
        The nozzle table.
    in_use : collection of str
        Nozzles that heads have. A replacement of a kind of device speaks of those among them that
        are of that kind and that no other replacement names.
    problems : ProblemList
        Takes unknown nozzles, with the nearest name.

    Returns
    -------
    NozzleSet or None
        None, with the problem noted, where the file cannot be read.
    """
    if programme.nozzle_set:
        return read_nozzle_set(path.parent / programme.nozzle_set, problems)
    _note_unknown_nozzles(programme, path, nozzles, in_use, problems)
    rows = {c.from_nozzle: c for c in programme.replacements if c.from_nozzle}
    for change in programme.replacements:
        for name in sorted(in_use) if change.from_device else ():
            if name in nozzles and nozzles[name].device == change.from_device:
                rows.setdefault(name, change)
    changes = {old: change for old, change in rows.items() if not _is_in_place(old, change)}
    return NozzleSet(
        name=path.stem,
        head_id=np.full(len(changes), "", dtype=object),
        from_nozzle=np.array(list(changes), dtype=object),
        zone=np.full(len(changes), "", dtype=object),
        to_nozzle=np.array([change.to_nozzle for change in changes.values()], dtype=object),
        pressure_kpa=np.array([change.pressure_kpa for change in changes.values()], dtype=float),
    )


def _note_unknown_nozzles(
    programme: Programme,
    path: Path,
    nozzles: Mapping[str, Nozzle],
    in_use: Collection[str],
    problems: ProblemList,
) -> None:
    named = [name for c in programme.replacements for name in (c.from_nozzle, c.to_nozzle) if name]
    known = f"the nozzles table has {listed(sorted(nozzles))}"
    for name in dict.fromkeys(named):
        if name not in nozzles and name not in in_use:
            problems.add(
                f"Programme file {path.name!r}, replacement: unknown nozzle {name!r}; {known}."
                f"{nearest_hint(name, nozzles)} Correct the name."
            )
            known = "the known ones stand above"


def _is_in_place(old: str, change: Replacement) -> bool:
    """Whether a head with the nozzle has all that the change would give it."""
    return change.to_nozzle == old and bool(np.isnan(change.pressure_kpa))
