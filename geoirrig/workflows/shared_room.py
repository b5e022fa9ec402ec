"""Room in memory that all processes of this machine can look at, for one record after another.

The arrays of a record lie there as they are, and a process that opens it maps them into its memory:
they are read where they are used, without a copy. What is laid out next takes the same pages.
"""

from __future__ import annotations

import mmap
import os
import pickle
import tempfile
from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from io import FileIO
from pathlib import Path
from typing import Any

from geoirrig.errors import GeoirrigError

_ALIGNED_BYTES = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedRecord:
    """Where a record lies; it can be sent to another process."""

    path: Path
    parts: tuple[tuple[int, int], ...]  # first byte and length: what holds the arrays, then each


class SharedRoom:
    """Room for one record at a time."""

    def __init__(self, stream: FileIO, path: Path) -> None:
        self._stream, self._path = stream, path

    def lay_out(self, record: object) -> SharedRecord:
        """Lay a record out, where the one before lay: nobody may look at that any more.

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
        with _told_without_room():
            self._stream.seek(0)
            parts = (self._append(whole), *map(self._append, arrays))
        return SharedRecord(path=self._path, parts=parts)

    def _append(self, part: bytes | pickle.PickleBuffer) -> tuple[int, int]:
        start = self._stream.seek(-self._stream.tell() % _ALIGNED_BYTES, os.SEEK_CUR)
        left = memoryview(part) if isinstance(part, bytes) else part.raw()
        while left:  # a system may take a part of what is large
            left = left[self._stream.write(left) :]
        return start, self._stream.tell() - start


@contextmanager
def shared_room() -> Iterator[SharedRoom]:
    """Room for records until it is left.

    It is a file in memory without a name, which goes with this process, where the system has such;
    else one in the folder for temporary files.

    Raises
    ------
    GeoirrigError
        If there is none.
    """
    with ExitStack() as until_left:
        with _told_without_room():
            descriptor = _nameless_file()
            if descriptor is None:
                path = Path(until_left.enter_context(_own_folder())) / "record"
                file: Path | int = path
            else:
                path = Path(f"/proc/{os.getpid()}/fd/{descriptor}")
                file = descriptor
            stream = until_left.enter_context(open(file, "wb", buffering=0))
        yield SharedRoom(stream, path)


def _own_folder() -> AbstractContextManager[str]:
    """Where a mapped file cannot be removed, it goes with the system's own cleaning."""
    return tempfile.TemporaryDirectory(prefix="geoirrig-", ignore_cleanup_errors=True)


@contextmanager
def _told_without_room() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise GeoirrigError(
            f"A unit of work cannot be laid out for the workers: {error.strerror}. Give --workers "
            "1, which needs no copy, or make room in memory and in the folder for temporary files."
        ) from error


def _nameless_file() -> int | None:
    if not hasattr(os, "memfd_create") or not Path("/proc/self/fd").exists():
        return None
    try:
        return os.memfd_create("geoirrig")
    except OSError:  # it is there, but not allowed
        return None


def opened_record(laid_out: SharedRecord) -> Any:
    """The record, to be used before another is laid out there; what is written to it stays here."""
    with laid_out.path.open("rb") as stream:
        memory = memoryview(mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_COPY))
    whole, *arrays = (memory[start : start + length] for start, length in laid_out.parts)
    return pickle.loads(whole, buffers=arrays)
