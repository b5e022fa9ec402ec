"""A record where all processes of this machine can look at it, without a copy for each.

The arrays of the record lie in a file as they are, and a process that opens it maps them into its
memory: they are read where they are used, and take their room once.
"""

from __future__ import annotations

import itertools
import mmap
import os
import pickle
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from geoirrig.errors import GeoirrigError

_ALIGNED_BYTES = 64
_numbers = itertools.count()
_opened: dict[tuple[int, int], Any] = {}  # the one that this process looks at


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedRecord:
    """Where a record lies; it can be sent to another process."""

    path: Path
    parts: tuple[tuple[int, int], ...]  # first byte and length: what holds the arrays, then each
    key: tuple[int, int]  # of the process that laid it out, and its number there


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
    with ExitStack() as until_left:
        try:
            stream, path = until_left.enter_context(_shared_file())
            parts = tuple(_append(stream, part) for part in everything)
            stream.flush()
        except OSError as error:
            raise GeoirrigError(
                f"The city cannot be laid out for the workers: {error.strerror}. Give --workers 1, "
                "which needs no copy, or make room in memory and in the folder for temporary files."
            ) from error
        yield SharedRecord(path=path, parts=parts, key=(os.getpid(), next(_numbers)))


@contextmanager
def _shared_file() -> Iterator[tuple[IO[bytes], Path]]:
    """A file in memory without a name, which goes with this process, where the system has such.

    Else one in the folder for temporary files.
    """
    descriptor = _nameless_file()
    if descriptor is not None:
        with os.fdopen(descriptor, "wb") as stream:
            yield stream, Path(f"/proc/{os.getpid()}/fd/{descriptor}")
        return
    # Where a mapped file cannot be removed, it goes with the system's own cleaning.
    with tempfile.TemporaryDirectory(prefix="geoirrig-", ignore_cleanup_errors=True) as folder:
        path = Path(folder) / "record"
        with path.open("wb") as stream:
            yield stream, path


def _nameless_file() -> int | None:
    if not hasattr(os, "memfd_create") or not Path("/proc/self/fd").exists():
        return None
    try:
        return os.memfd_create("geoirrig")
    except OSError:  # it is there, but not allowed
        return None


def _append(stream: IO[bytes], part: bytes | pickle.PickleBuffer) -> tuple[int, int]:
    stream.write(bytes(-stream.tell() % _ALIGNED_BYTES))
    start = stream.tell()
    stream.write(part.raw() if isinstance(part, pickle.PickleBuffer) else part)
    return start, stream.tell() - start


def opened_record(shared: SharedRecord) -> Any:
    """The record; its arrays cannot be written to."""
    if shared.key not in _opened:
        _opened.clear()
        with shared.path.open("rb") as stream:
            memory = memoryview(mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ))
        whole, *arrays = (memory[start : start + length] for start, length in shared.parts)
        _opened[shared.key] = pickle.loads(whole, buffers=arrays)
    return _opened[shared.key]
