"""A record where all processes of this machine can look at it, without a copy for each.

The arrays of the record lie in a file as they are, and a process that opens it maps them into its
memory: they are read where they are used, and take their room once.
"""

from __future__ import annotations

import mmap
import os
import pickle
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from geoirrig.errors import GeoirrigError

_ALIGNED_BYTES = 64
_MEMORY_FOLDER = Path("/dev/shm")  # of Linux
_opened: dict[Path, Any] = {}  # the one that this process looks at


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedRecord:
    """Where a record lies; it can be sent to another process."""

    path: Path
    parts: tuple[tuple[int, int], ...]  # first byte and length: what holds the arrays, then each


@contextmanager
def shared_record(record: object) -> Iterator[SharedRecord]:
    """Lay a record out for other processes until it is left.

    Parameters
    ----------
    record : object
        What can be pickled; its arrays are shared.

    Raises
    ------
    GeoirrigError
        If there is no room for it.
    """
    arrays: list[pickle.PickleBuffer] = []
    whole = pickle.dumps(record, protocol=5, buffer_callback=arrays.append)
    everything: list[bytes | pickle.PickleBuffer] = [whole, *arrays]
    size = len(whole) + sum(array.raw().nbytes + _ALIGNED_BYTES for array in arrays)
    with ExitStack() as until_left:
        try:
            folder = until_left.enter_context(
                # where a mapped file cannot be removed, it goes with the system's own cleaning
                tempfile.TemporaryDirectory(
                    prefix="geoirrig-", dir=_in_memory(size), ignore_cleanup_errors=True
                )
            )
            path = Path(folder) / "record"
            with path.open("wb") as stream:
                parts = tuple(_append(stream, part) for part in everything)
        except OSError as error:
            raise GeoirrigError(
                f"The city cannot be laid out for the workers: {error.strerror}. Make room in the "
                "folder for temporary files, name another one in TMPDIR, or give --workers 1."
            ) from error
        yield SharedRecord(path=path, parts=parts)


def _in_memory(size: int) -> Path | None:
    """A folder whose files stay in memory, if there is one with room; else the ordinary one."""
    if not os.access(_MEMORY_FOLDER, os.W_OK | os.X_OK):
        return None
    return _MEMORY_FOLDER if shutil.disk_usage(_MEMORY_FOLDER).free > 2 * size else None


def _append(stream: IO[bytes], part: bytes | pickle.PickleBuffer) -> tuple[int, int]:
    stream.write(bytes(-stream.tell() % _ALIGNED_BYTES))
    start = stream.tell()
    stream.write(part.raw() if isinstance(part, pickle.PickleBuffer) else part)
    return start, stream.tell() - start


def opened_record(shared: SharedRecord) -> Any:
    """The record; its arrays cannot be written to."""
    if shared.path not in _opened:
        _opened.clear()
        with shared.path.open("rb") as stream:
            memory = memoryview(mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ))
        whole, *arrays = (memory[start : start + length] for start, length in shared.parts)
        _opened[shared.path] = pickle.loads(whole, buffers=arrays)
    return _opened[shared.path]


def remove_opened() -> None:
    """Remove what this process looks at: for when the one that laid it out was killed."""
    for path in _opened:
        shutil.rmtree(path.parent, ignore_errors=True)
