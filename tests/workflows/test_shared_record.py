"""A record laid out for other processes."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from geoirrig.errors import GeoirrigError
from geoirrig.units import FloatArray
from geoirrig.workflows import shared_record as module
from geoirrig.workflows.shared_record import opened_record, shared_record


@dataclass(frozen=True)
class Record:
    name: str
    values: FloatArray
    alike: FloatArray
    none: FloatArray


def record() -> Record:
    values = np.arange(1000.0)
    return Record(name="city", values=values, alike=values, none=np.empty(0))


def test_shared_record_is_read_as_it_was_and_removed_afterwards() -> None:
    with shared_record(record()) as shared:
        found = opened_record(shared)
        assert found.name == "city"
        np.testing.assert_array_equal(found.values, np.arange(1000.0))
        assert found.alike is found.values  # shared arrays lie there once
        assert found.none.shape == (0,)
        assert not found.values.flags.writeable
        assert opened_record(shared) is found
        assert shared.path.exists()
    assert not shared.path.exists()
    assert found.values[-1] == 999.0  # who looks at it may go on doing so


def test_shared_record_one_after_another_in_the_same_place() -> None:
    for number in range(3):
        with shared_record(np.full(10, float(number))) as shared:
            assert opened_record(shared).tolist() == [float(number)] * 10


def test_shared_record_another_process_reads_it() -> None:
    with shared_record({"values": np.array([1.5, 2.5])}) as shared:
        code = (
            "from geoirrig.workflows.shared_record import SharedRecord, opened_record\n"
            "from pathlib import Path\n"
            f"shared = SharedRecord(path=Path({str(shared.path)!r}), parts={shared.parts!r}, "
            f"key={shared.key!r})\n"
            "print(opened_record(shared)['values'].sum())"
        )
        told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert told.stdout.strip() == "4.0", told.stderr


@pytest.mark.parametrize("is_there", [True, False])
def test_shared_record_where_files_without_a_name_are_not_to_be_had(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, is_there: bool
) -> None:
    def refused(_: str) -> int:
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr(module.os, "memfd_create", refused, raising=False)
    if not is_there:
        monkeypatch.delattr(module.os, "memfd_create")
    monkeypatch.setattr(module.tempfile, "tempdir", str(tmp_path))
    with shared_record(record()) as shared:
        assert tmp_path in shared.path.parents
        assert opened_record(shared).name == "city"
    assert not list(tmp_path.iterdir())


def test_shared_record_without_room_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module, "_append", full)
    with (
        pytest.raises(GeoirrigError, match=r"No space left on device\. Give --workers 1"),
        shared_record(record()),
    ):
        pass
