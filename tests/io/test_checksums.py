"""Checksums, here and by a process of its own."""

from __future__ import annotations

import errno
import multiprocessing
import os
import sys
import time
from pathlib import Path

import pytest

from geoirrig import processors
from geoirrig.io import checksums
from geoirrig.io.checksums import checksums_beside, file_sha256

# NIST, examples of FIPS 180-4 (SHA256.pdf), from memory: one block, and a million letters.
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
MILLION_A = "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"

beside = pytest.mark.skipif(sys.platform != "linux", reason="no process is copied there")


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    short, long = tmp_path / "short", tmp_path / "long"
    short.write_bytes(b"abc")
    long.write_bytes(b"a" * 1_000_000)
    return short, long


@pytest.fixture(autouse=True)
def two_processors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(processors, "_processors_there", lambda: 2)


@pytest.fixture
def told_by(monkeypatch: pytest.MonkeyPatch) -> None:
    """Who reckons says so instead."""
    monkeypatch.setattr(checksums, "file_sha256", lambda _: str(os.getpid()))


@pytest.fixture
def no_fork(monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden() -> int:
        raise AssertionError("no other process is wanted")

    monkeypatch.setattr(os, "fork", forbidden, raising=False)


def test_file_sha256_is_that_of_the_standard(files: tuple[Path, Path]) -> None:
    assert [file_sha256(path) for path in files] == [ABC, MILLION_A]


def test_checksums_beside_are_the_same_in_any_order(files: tuple[Path, Path]) -> None:
    short, long = files
    with checksums_beside(files) as checksum:
        assert [checksum(p) for p in (long, short, long)] == [MILLION_A, ABC, MILLION_A]


@beside
def test_checksums_beside_of_a_file_given_twice_is_reckoned_once(
    files: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    reckoned = files[0].with_name("reckoned")

    def noted(path: Path) -> str:
        with reckoned.open("a") as stream:
            print(path.name, file=stream)
        return file_sha256(path)

    monkeypatch.setattr(checksums, "file_sha256", noted)
    short, long = files
    with checksums_beside((short, short, long)) as checksum:
        assert [checksum(long), checksum(short)] == [MILLION_A, ABC]
    assert reckoned.read_text().split() == ["short", "long"]


@beside
@pytest.mark.usefixtures("told_by")
def test_checksums_beside_are_reckoned_by_another_process_that_goes(
    files: tuple[Path, Path],
) -> None:
    before = set(multiprocessing.active_children())
    with checksums_beside(files) as checksum:
        (child,) = set(multiprocessing.active_children()) - before
        assert [checksum(path) for path in files] == [str(child.pid)] * 2
        assert checksum(files[0].parent / "another") == str(os.getpid())
    assert not child.is_alive()


@pytest.mark.usefixtures("no_fork")
@pytest.mark.parametrize(
    "case", ["nothing to do", "a file is missing", "too long a name", "one processor", "win32"]
)
def test_checksums_beside_starts_nobody_where_that_is_no_use(
    files: tuple[Path, Path], case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    short, long = files
    given = {
        "nothing to do": (),
        "a file is missing": (short, short.with_name("gone")),
        "too long a name": (short, short.with_name("x" * 300)),
    }
    if case == "one processor":
        monkeypatch.setattr(processors, "_processors_there", lambda: 1)
    if case == "win32":
        monkeypatch.setattr(sys, "platform", case)
    with checksums_beside(given.get(case, files)) as checksum:
        assert [checksum(short), checksum(long)] == [ABC, MILLION_A]


def _no_more_processes() -> int:
    raise OSError(errno.EAGAIN, os.strerror(errno.EAGAIN))


def _ended() -> None:
    for child in multiprocessing.active_children():
        child.kill()


@beside
@pytest.mark.parametrize("ends", [False, True])
def test_checksums_beside_come_from_here_where_the_other_process_fails(
    files: tuple[Path, Path], ends: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(checksums, "file_sha256", lambda _: time.sleep(60.0))
    if not ends:
        monkeypatch.setattr(os, "fork", _no_more_processes)
    with checksums_beside(files) as checksum:
        monkeypatch.setattr(checksums, "file_sha256", file_sha256)
        if ends:
            _ended()
        assert [checksum(path) for path in files] == [ABC, MILLION_A]


@beside
def test_checksums_beside_of_a_file_that_cannot_be_read_is_an_error_where_it_is_asked_for(
    files: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def locked(path: Path) -> str:
        if path == files[0]:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        return file_sha256(path)

    monkeypatch.setattr(checksums, "file_sha256", locked)
    with checksums_beside(files) as checksum:
        with pytest.raises(PermissionError):
            checksum(files[0])
        assert checksum(files[1]) == MILLION_A
