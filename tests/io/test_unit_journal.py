"""Results of units on disk: whole or not there, and only of the same run."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geoirrig.errors import OutputError
from geoirrig.io.unit_journal import (
    check_journal,
    fingerprint,
    journal_folder,
    open_journal,
)

RUN = {"version": "1", "inputs": {"site a.gpkg": "12ab"}, "work_units": 3}


def test_unit_journal_keeps_values_to_the_bit(tmp_path: Path) -> None:
    journal = open_journal(tmp_path / "out", RUN, resume=False)
    values = {"existing": np.array([[0.1, np.nan], [1e-300, 3.0]]), "reason": np.array(["x"])}
    journal.keep(7, values)
    again = open_journal(tmp_path / "out", RUN, resume=True)
    assert again.done() == {7}
    kept = again.kept(7)
    np.testing.assert_array_equal(kept["existing"], values["existing"])
    assert kept["reason"].tolist() == ["x"]
    journal.remove()
    assert not journal_folder(tmp_path / "out").exists()


def test_open_journal_torn_files_are_no_results(tmp_path: Path) -> None:
    journal = open_journal(tmp_path / "out", RUN, resume=False)
    torn = journal.path_of(1).with_name("unit-000001.npz.part")
    torn.write_bytes(b"PK")
    assert open_journal(tmp_path / "out", RUN, resume=True).done() == frozenset()
    assert not torn.exists()


def test_open_journal_killed_before_it_said_what_it_is_begins_anew(tmp_path: Path) -> None:
    journal_folder(tmp_path / "out").mkdir()
    (journal_folder(tmp_path / "out") / "run.json.part").write_text("{", encoding="utf-8")
    assert open_journal(tmp_path / "out", RUN, resume=False).done() == frozenset()


def test_open_journal_another_run_is_refused_with_the_difference(tmp_path: Path) -> None:
    open_journal(tmp_path / "out", RUN, resume=False)
    other = {**RUN, "inputs": {"site a.gpkg": "99ff"}}
    with pytest.raises(OutputError, match=r"another inputs: site a\.gpkg \(12ab then, 99ff now\)"):
        open_journal(tmp_path / "out", other, resume=True)
    with pytest.raises(OutputError, match="Add --resume to continue it"):
        check_journal(tmp_path / "out", resume=False)
    check_journal(tmp_path / "out", resume=True)
    check_journal(tmp_path / "elsewhere", resume=False)


def test_fingerprint_order_of_keys_does_not_matter() -> None:
    assert fingerprint(RUN) == fingerprint(dict(reversed(RUN.items())))
    assert fingerprint(RUN) != fingerprint({**RUN, "work_units": 4})
