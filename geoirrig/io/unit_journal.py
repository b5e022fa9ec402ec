"""Results of work units on disk as they come, so that a run that was killed can go on.

Each unit has a file of its own, which gets its name when it is whole and on the disk. A file that
says what the run is stands beside them; a run with other inputs or options is not continued.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.errors import OutputError

_RUN_FILE = "run.json"
_TEMPORARY = ".part"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitJournal:
    """The folder of a run that is under way."""

    folder: Path

    def path_of(self, unit: int) -> Path:
        """Where the results of a unit lie."""
        return self.folder / f"unit-{unit:06d}.npz"

    def done(self) -> frozenset[int]:
        """Units whose results are there, whole."""
        return frozenset(
            int(path.stem.removeprefix("unit-")) for path in self.folder.glob("unit-*.npz")
        )

    def keep(self, unit: int, values: Mapping[str, NDArray[Any]]) -> None:
        """Put the results of a unit on the disk.

        Raises
        ------
        OutputError
            If there is no room for them, or they may not be written.
        """
        stream = io.BytesIO()
        np.savez(stream, **values)  # type: ignore[arg-type]  # the stub takes a flag for a value
        try:
            _write_whole(self.path_of(unit), stream.getvalue())
        except OSError as error:
            raise OutputError(
                f"The unfinished results cannot be kept in {str(self.folder)!r}: "
                f"{error.strerror}. Make room there, then continue with --resume."
            ) from error

    def kept(self, unit: int) -> dict[str, NDArray[Any]]:
        """The results of a unit."""
        with np.load(self.path_of(unit), allow_pickle=False) as stored:
            return {name: stored[name] for name in stored.files}

    def remove(self) -> None:
        """Remove the folder: the results are written."""
        shutil.rmtree(self.folder, ignore_errors=True)


def journal_folder(out_dir: Path) -> Path:
    """Hidden folder beside the output folder."""
    target = out_dir.absolute()
    return target.with_name(f".{target.name[:80]}.unfinished")


def fingerprint(run: Mapping[str, Any]) -> str:
    """What tells two runs apart: version, options, inputs with their checksums."""
    text = json.dumps(run, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def open_journal(out_dir: Path, run: Mapping[str, Any], *, resume: bool) -> UnitJournal:
    """The journal of a run, an earlier one where it is to go on.

    Parameters
    ----------
    out_dir : Path
        Where the results will go.
    run : mapping
        What the run is; see `fingerprint`.
    resume : bool
        Whether results that are there are taken over.

    Raises
    ------
    OutputError
        If an unfinished run is there and is not to be continued, or is another one.
    """
    folder = journal_folder(out_dir)
    stated = {"fingerprint": fingerprint(run), **run}
    if folder.is_dir() and not (folder / _RUN_FILE).is_file():
        shutil.rmtree(folder)  # killed before it began
    if folder.is_dir():
        check_journal(out_dir, resume=resume)
        earlier = json.loads((folder / _RUN_FILE).read_text(encoding="utf-8"))
        if earlier["fingerprint"] != stated["fingerprint"]:
            other = _first_difference(earlier, json.loads(json.dumps(stated, default=str)))
            raise OutputError(
                f"The unfinished run in {str(folder)!r} had another {other}. Give the inputs and "
                "options of that run, or remove the folder to begin anew."
            )
        for torn in folder.glob(f"*{_TEMPORARY}"):
            torn.unlink()
        return UnitJournal(folder=folder)
    try:
        folder.mkdir(parents=True)
        _write_whole(folder / _RUN_FILE, json.dumps(stated, indent=1, default=str).encode())
    except OSError as error:
        raise OutputError(
            f"The unfinished results cannot be kept in {str(folder)!r}: {error.strerror}. Name "
            "another folder with --out."
        ) from error
    return UnitJournal(folder=folder)


def check_journal(out_dir: Path, *, resume: bool) -> None:
    """Refuse to begin anew where an unfinished run lies, before the long work.

    Raises
    ------
    OutputError
        If there is one and ``resume`` is false.
    """
    folder = journal_folder(out_dir)
    if resume or not (folder / _RUN_FILE).is_file():
        return
    count = len(UnitJournal(folder=folder).done())
    raise OutputError(
        f"An unfinished run for {str(out_dir)!r} lies in {str(folder)!r}, with {count} work units "
        "done. Add --resume to continue it, or remove that folder to begin anew."
    )


def _first_difference(earlier: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    for name in now:
        if name != "fingerprint" and earlier.get(name) != now[name]:
            if isinstance(now[name], dict) and isinstance(earlier.get(name), dict):
                return f"{name}: {_first_difference(earlier[name], now[name])}"
            return f"{name} ({_short(earlier.get(name))} then, {_short(now[name])} now)"
    return "set of options"


def _short(value: object, *, longest: int = 80) -> str:
    text = str(value)
    return text if len(text) <= longest else text[: longest - 1] + "…"


def _write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it has its name only when it is whole and on the disk."""
    part = path.with_name(path.name + _TEMPORARY)
    with part.open("wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    part.replace(path)
