"""A folder of results that is there as a whole or not at all.

Files are written into a hidden folder on the same file system and moved to their final names when
all of them are complete. Whatever interrupts the run, no half file has a final name.
"""

from __future__ import annotations

import errno
import glob
import os
import re
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from geoirrig.errors import OutputError

# What each command writes, by the one of its files that no run leaves out. The other files of an
# earlier run go when that one is replaced: they would pass for a part of the new results.
_RESULTS: dict[str, tuple[str, ...]] = {
    "results.gpkg": (
        "precipitation_rate_mm_h.tif",
        "applied_depth_mm.tif",
        "heads_reaching.tif",
        "slope_pct.tif",
        "minutes_to_runoff.tif",
        "runoff_depth_mm.tif",
        "runoff_probability.tif",
        "run_on_depth_mm.tif",
        "results.qgs",
        "map_precipitation.png",
        "map_coverage.png",
        "map_runoff_risk.png",
        "map_run_on.png",
        "sheets.pdf",
    ),
    "ranking.gpkg": ("ranking.qgs", "ranking.csv", "map_ranked_slopes.png", "ranked_slopes.png"),
    "schedule.gpkg": ("schedule.qgs", "schedule.csv", "calendar.png"),
    "comparison.gpkg": ("comparison.qgs", "comparison.csv", "comparison.png"),
    "screening.gpkg": (
        "screening.qgs", "screening.csv", "screening.parquet", "screening.png",
    ),
    "proposal.gpkg": ("proposal.qgs", "changes.csv", "proposal.png"),
    "SITE.gpkg": ("SITE.qgs",),
    "roles.toml": (),
    "plan_results.dxf": (),
}  # fmt: skip
_SUMMARY, _REPORT = "summary.json", "report.html"  # may go with any of them
# Names that mark a folder as holding results: contract of `analyze` and of the other commands.
RESULT_NAMES = (
    _SUMMARY, _REPORT, *_RESULTS, *(name for names in _RESULTS.values() for name in names),
)  # fmt: skip
# `calendar_2.png` goes with `calendar.png`
_FURTHER_PAGE = re.compile(r"(calendar|comparison)_\d+(\.png)")
# Files that a database or a viewer leaves beside a result. They belong to the old content: an old
# journal beside a new GeoPackage would even be played back into it.
_COMPANION_SUFFIXES = ("-journal", "-wal", "-shm", ".aux.xml", ".ovr", ".msk")
_OUT_OF_SPACE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def check_output_folder(out_dir: Path, *, overwrite: bool) -> None:
    """Refuse an output folder that cannot be used, before the long work.

    Parameters
    ----------
    out_dir : Path
        Where the results are to go; it need not exist.
    overwrite : bool
        Whether results that are there already may be replaced.

    Raises
    ------
    OutputError
        If the folder is a file, may not be written, or holds results and ``overwrite`` is false.
    """
    if not out_dir.is_dir():
        if os.path.lexists(out_dir):
            raise OutputError(
                f"Output {str(out_dir)!r} is a file, not a folder. Name another folder with --out."
            )
        _require_writable(_nearest_folder(out_dir), out_dir)
        return
    _require_writable(out_dir, out_dir)
    found = [name for name in RESULT_NAMES if os.path.lexists(out_dir / name)]
    _refuse_folders(out_dir, found)
    if found and not overwrite:
        raise _already_there(out_dir, found)


@contextmanager
def whole_output(out_dir: Path, *, overwrite: bool) -> Iterator[Path]:
    """Give a folder to write into; move its files to ``out_dir`` when the block ends well.

    A folder that does not exist appears under its name in one step. In a folder that exists, the
    files are exchanged one by one, and put back if that fails midway. What a run of the same
    command wrote there and the new one does not write goes with them; other files stay.

    Parameters
    ----------
    out_dir : Path
        Final folder; missing parents are made.
    overwrite : bool
        Whether files that are there already may be replaced.

    Yields
    ------
    Path
        The hidden folder to write into. It is gone when the block is left, however it is left.

    Raises
    ------
    OutputError
        As `check_output_folder`; if a file to be written is there already and ``overwrite`` is
        false; if the disk is full or a file cannot be moved.
    """
    check_output_folder(out_dir, overwrite=overwrite)
    made_parents = _make_parents(out_dir)
    partial = _make_partial_folder(out_dir)
    try:
        yield partial
        _move_into_place(partial, out_dir, overwrite=overwrite)
        made_parents = []
    except OSError as error:
        if error.errno in _OUT_OF_SPACE:
            raise OutputError(
                f"No space left while writing to {str(out_dir)!r}; nothing was kept. "
                "Free some space or name a folder on another disk with --out."
            ) from error
        raise
    finally:
        shutil.rmtree(partial, ignore_errors=True)
        for folder in reversed(made_parents):
            with suppress(OSError):
                folder.rmdir()


def remove_partial_folders(out_dir: Path) -> None:
    """Remove hidden folders that a run for this output left when it was killed.

    Only for a command that knows that no other run writes there.
    """
    target = out_dir.absolute()
    for left in (
        *target.glob(".partial-*"),
        *target.parent.glob(f"{glob.escape(f'.{target.name[:80]}.partial-')}*"),
    ):
        shutil.rmtree(left, ignore_errors=True)


def _already_there(out_dir: Path, names: list[str]) -> OutputError:
    shown = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    return OutputError(
        f"Output folder {str(out_dir)!r} already holds results ({shown}). "
        "Add --overwrite to replace them, or name another folder with --out."
    )


def _refuse_folders(out_dir: Path, names: list[str]) -> None:
    folders = [name for name in names if (out_dir / name).is_dir()]
    if folders:
        raise OutputError(
            f"Output folder {str(out_dir)!r} has a folder named {folders[0]!r} where a file is to "
            "be written. Rename it, or name another folder with --out."
        )


def _nearest_folder(path: Path) -> Path:
    """The closest ancestor that exists."""
    return next(parent for parent in path.absolute().parents if os.path.lexists(parent))


def _require_writable(folder: Path, out_dir: Path) -> None:
    if not folder.is_dir():
        raise OutputError(
            f"Output folder {str(out_dir)!r} cannot be made, since {str(folder)!r} is a file. "
            "Name another folder with --out."
        )
    probe = folder / f".partial-{secrets.token_hex(6)}"
    try:
        probe.mkdir()
        probe.rmdir()
    except OSError as error:
        raise _not_writable(out_dir, error) from error


def _not_writable(out_dir: Path, error: OSError) -> OutputError:
    return OutputError(
        f"Output folder {str(out_dir)!r} cannot be written: {error.strerror or error}. "
        "Change its permissions, or name another folder with --out."
    )


def _make_parents(out_dir: Path) -> list[Path]:
    """Make the missing parents; return those made, outermost first."""
    missing = [parent for parent in out_dir.absolute().parents if not parent.exists()][::-1]
    made: list[Path] = []
    try:
        for parent in missing:
            parent.mkdir(exist_ok=True)
            made.append(parent)
    except OSError as error:
        for parent in reversed(made):
            with suppress(OSError):
                parent.rmdir()
        raise _not_writable(out_dir, error) from error
    return made


def _make_partial_folder(out_dir: Path) -> Path:
    """Make the hidden folder on the file system of the final one."""
    token = secrets.token_hex(6)
    target = out_dir.absolute()
    if target.is_dir():
        partial = target / f".partial-{token}"  # it may be a mount point: stay inside it
    else:
        partial = target.with_name(f".{target.name[:80]}.partial-{token}")
    try:
        partial.mkdir()
    except OSError as error:
        raise _not_writable(out_dir, error) from error
    return partial


def _move_into_place(partial: Path, out_dir: Path, *, overwrite: bool) -> None:
    names = sorted(path.name for path in partial.iterdir())
    try:
        if not out_dir.is_dir():
            partial.rename(out_dir)
            return
        present = [name for name in names if os.path.lexists(out_dir / name)]
        _refuse_folders(out_dir, present)
        if present and not overwrite:
            raise _already_there(out_dir, present)
        _exchange(partial, out_dir, names)
    except OSError as error:
        if error.errno in _OUT_OF_SPACE:
            raise
        raise _not_writable(out_dir, error) from error


def _exchange(partial: Path, out_dir: Path, names: list[str]) -> None:
    """Move files into a folder; on any failure put back what was there."""
    replaced = partial / ".replaced"
    replaced.mkdir()
    # The old summary goes first and the new one comes last: a folder with a summary has all other
    # files of that run, whenever this process is killed.
    order = sorted(names, key=lambda name: (name == _SUMMARY, name))
    undo: list[tuple[Path, Path]] = []
    try:
        if _SUMMARY in names and os.path.lexists(out_dir / _SUMMARY):
            _move(out_dir / _SUMMARY, replaced / _SUMMARY, undo)
        for name in (*_left_over(out_dir, names), *order):
            for old in (name, *(name + suffix for suffix in _COMPANION_SUFFIXES)):
                if os.path.lexists(out_dir / old) and (old == name or old not in names):
                    _move(out_dir / old, replaced / old, undo)
            if name in names:
                _move(partial / name, out_dir / name, undo)
    except BaseException:
        for source, target in reversed(undo):
            with suppress(OSError):
                target.replace(source)
        raise


def _left_over(out_dir: Path, names: list[str]) -> list[str]:
    """Files that an earlier run of the same command wrote and this one does not."""
    parts = {_REPORT, *(part for whole in _RESULTS if whole in names for part in _RESULTS[whole])}
    parts |= {f"{part.removesuffix('.tif')}.qml" for part in parts if part.endswith(".tif")}
    return sorted(
        path.name
        for path in out_dir.iterdir()
        if path.name not in names
        and _FURTHER_PAGE.sub(r"\1\2", path.name) in parts
        and not path.is_dir()
    )


def _move(source: Path, target: Path, undo: list[tuple[Path, Path]]) -> None:
    undo.append((source, target))
    source.replace(target)
