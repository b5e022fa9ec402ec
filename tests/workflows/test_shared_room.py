"""Room that other processes look into, for one record after another."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from io import FileIO
from pathlib import Path

import numpy as np
import pytest

from geoirrig.errors import GeoirrigError
from geoirrig.units import FloatArray
from geoirrig.workflows import shared_room as module
from geoirrig.workflows.shared_room import SharedRoom, opened_record, shared_room


@dataclass(frozen=True)
class Record:
    name: str
    values: FloatArray
    alike: FloatArray
    none: FloatArray


def record() -> Record:
    values = np.arange(1000.0)
    return Record(name="city", values=values, alike=values, none=np.empty(0))


def test_shared_room_record_is_read_as_it_was_and_removed_afterwards() -> None:
    with shared_room() as room:
        laid_out = room.lay_out(record())
        found = opened_record(laid_out)
        assert found.name == "city"
        np.testing.assert_array_equal(found.values, np.arange(1000.0))
        assert found.alike is found.values  # shared arrays lie there once
        assert found.none.shape == (0,)
        assert laid_out.path.exists()
    assert not laid_out.path.exists()
    assert found.values[-1] == 999.0  # who looks at it may go on doing so


def test_shared_room_one_after_another_in_the_same_place() -> None:
    with shared_room() as room:
        for count in (10, 100_000, 10, 0, 1):
            values = np.arange(float(count))
            laid_out = room.lay_out({"values": values, "count": count})
            found = opened_record(laid_out)
            assert found["count"] == count
            np.testing.assert_array_equal(found["values"], values)


def test_shared_room_what_is_written_to_a_record_is_seen_by_nobody_else() -> None:
    with shared_room() as room:
        laid_out = room.lay_out(np.ones(3))
        found = opened_record(laid_out)
        found[:] = 7.0  # so compiled kernels take it as any other array
        np.testing.assert_array_equal(opened_record(laid_out), np.ones(3))


def test_shared_room_another_process_reads_it() -> None:
    with shared_room() as room:
        laid_out = room.lay_out({"values": np.array([1.5, 2.5])})
        code = (
            "from geoirrig.workflows.shared_room import SharedRecord, opened_record\n"
            "from pathlib import Path\n"
            f"path, parts = Path({str(laid_out.path)!r}), {laid_out.parts!r}\n"
            "print(opened_record(SharedRecord(path=path, parts=parts))['values'].sum())"
        )
        told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert told.stdout.strip() == "4.0", told.stderr


@pytest.mark.parametrize("is_there", [True, False])
def test_shared_room_where_files_without_a_name_are_not_to_be_had(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, is_there: bool
) -> None:
    def refused(_: str) -> int:
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr(module.os, "memfd_create", refused, raising=False)
    if not is_there:
        monkeypatch.delattr(module.os, "memfd_create")
    monkeypatch.setattr(module.tempfile, "tempdir", str(tmp_path))
    with shared_room() as room:
        laid_out = room.lay_out(record())
        assert tmp_path in laid_out.path.parents
        assert opened_record(laid_out).name == "city"
    assert not list(tmp_path.iterdir())


def test_shared_room_system_that_takes_a_part_at_a_time(tmp_path: Path) -> None:
    class Slow(FileIO):
        def write(self, part: memoryview) -> int:  # type: ignore[override]
            return super().write(part[:1000])

    with Slow(tmp_path / "record", "wb") as stream:
        laid_out = SharedRoom(stream, tmp_path / "record").lay_out(record())
    np.testing.assert_array_equal(opened_record(laid_out).values, np.arange(1000.0))


LARGEST_FILE_BYTES = 100_000
WITHOUT_ROOM = f"""
import resource
import numpy as np
from geoirrig.errors import GeoirrigError
from geoirrig.workflows.shared_room import shared_room
resource.setrlimit(resource.RLIMIT_FSIZE, ({LARGEST_FILE_BYTES}, {LARGEST_FILE_BYTES}))
try:
    with shared_room() as room:
        room.lay_out(np.ones({LARGEST_FILE_BYTES}))
except GeoirrigError as error:
    print(error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="where a file may be as large as it likes")
def test_shared_room_too_small_says_what_to_do() -> None:
    told = subprocess.run([sys.executable, "-c", WITHOUT_ROOM], capture_output=True, text=True)
    assert told.stdout.strip() == (
        "A unit of work cannot be laid out for the workers: File too large. Give --workers 1, "
        "which needs no copy, or make room in memory and in the folder for temporary files."
    ), told.stderr


def test_shared_room_without_a_folder_for_it_says_what_to_do(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.delattr(module.os, "memfd_create", raising=False)
    monkeypatch.setattr(module.tempfile, "tempdir", str(tmp_path / "gone"))
    with pytest.raises(GeoirrigError, match=r"No such file or directory\. Give --workers 1"):
        shared_room().__enter__()
