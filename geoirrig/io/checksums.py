"""Checksums of files: at once, or by a process of its own while something else is done."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from geoirrig.child_processes import begin_child, copies_are_safe, copying
from geoirrig.processors import processor_count

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

Checksum = Callable[[Path], str]  # of a file's bytes, in hexadecimal


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@contextmanager
def checksums_beside(paths: Sequence[Path]) -> Iterator[Checksum]:
    """Have checksums of files reckoned from now on, and ask for them later.

    A large file takes as long as loading all libraries, which keeps one processor busy. Where there
    is another, where this process can be copied and where all files are there, a copy reckons them;
    else each is reckoned when it is asked for.

    Parameters
    ----------
    paths : sequence of Path
        Files, in the order in which they will be asked for.

    Yields
    ------
    Checksum
        SHA-256 of any file, in hexadecimal; it raises `OSError` if the file cannot be read.
    """
    paths = tuple(dict.fromkeys(paths))
    are_there = bool(paths) and all(os.path.isfile(path) for path in paths)  # never an error
    if not are_there or processor_count() == 1 or not copies_are_safe():
        yield file_sha256
        return
    ours, theirs = copying().Pipe(duplex=False)
    child = copying().Process(target=_send_checksums, args=(paths, theirs), daemon=True)
    with ours:
        with theirs, suppress(OSError):  # no room for another process: all is left for later
            child.start()
        try:
            yield _Received(ours, paths)
        finally:
            if child.pid is not None:
                child.kill()
                child.join()


class _Received:
    """Checksums that another process sends, each once."""

    def __init__(self, sent: Connection, paths: Sequence[Path]) -> None:
        self._sent, self._paths = sent, paths
        self._known: dict[Path, str] = {}

    def __call__(self, path: Path) -> str:
        """That of one file; what does not come, because the other could not, is reckoned here."""
        with suppress(EOFError, OSError):
            while path in self._paths and path not in self._known:
                self._known.update([self._sent.recv()])
        return self._known[path] if path in self._known else file_sha256(path)


def _send_checksums(paths: Sequence[Path], receiver: Connection) -> None:
    begin_child()
    for path in paths:
        with suppress(OSError):  # whoever asks for it is told
            receiver.send((path, file_sha256(path)))
