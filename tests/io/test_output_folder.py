"""Results are there as a whole or not at all."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from geoirrig.errors import OutputError
from geoirrig.io.output_folder import check_output_folder, whole_output


def files(folder: Path) -> dict[str, str]:
    return {path.name: path.read_text() for path in sorted(folder.iterdir())}


def write_new(
    out: Path, *names: str, overwrite: bool = False, ending: BaseException | None = None
) -> None:
    """Write files with the text ``new``, and end as said."""
    with whole_output(out, overwrite=overwrite) as folder:
        for name in names:
            (folder / name).write_text("new")
        if ending is not None:
            raise ending


def test_whole_output_new_folder_appears_when_whole(tmp_path: Path) -> None:
    out = tmp_path / "run"
    with whole_output(out, overwrite=False) as folder:
        (folder / "summary.json").write_text("new")
        assert not out.exists()
        assert folder.parent == tmp_path
    assert files(out) == {"summary.json": "new"}
    assert os.listdir(tmp_path) == ["run"]


def test_whole_output_missing_parents_are_made(tmp_path: Path) -> None:
    with whole_output(tmp_path / "a" / "b" / "run", overwrite=False) as folder:
        (folder / "summary.json").write_text("new")
    assert files(tmp_path / "a" / "b" / "run") == {"summary.json": "new"}


def test_whole_output_relative_path_is_taken_from_the_working_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with whole_output(Path("run"), overwrite=False) as folder:
        (folder / "summary.json").write_text("new")
    assert files(tmp_path / "run") == {"summary.json": "new"}


@pytest.mark.parametrize("interruption", [KeyboardInterrupt, ValueError, SystemExit])
def test_whole_output_interrupted_run_leaves_nothing(
    tmp_path: Path, interruption: type[BaseException]
) -> None:
    with pytest.raises(interruption):
        write_new(tmp_path / "a" / "run", "results.gpkg", ending=interruption())
    assert os.listdir(tmp_path) == []


def test_whole_output_interrupted_run_leaves_old_results_untouched(tmp_path: Path) -> None:
    out = tmp_path / "run"
    out.mkdir()
    (out / "summary.json").write_text("old")
    with pytest.raises(KeyboardInterrupt):
        write_new(out, "summary.json", overwrite=True, ending=KeyboardInterrupt())
    assert files(out) == {"summary.json": "old"}


def test_whole_output_existing_folder_keeps_the_files_of_the_user(tmp_path: Path) -> None:
    out = tmp_path / "run"
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    with whole_output(out, overwrite=False) as folder:
        (folder / "summary.json").write_text("new")
    assert files(out) == {"notes.txt": "mine", "summary.json": "new"}


def test_whole_output_results_are_refused_without_overwrite(tmp_path: Path) -> None:
    out = tmp_path / "run"
    out.mkdir()
    for name in ("summary.json", "results.gpkg", "map_coverage.png", "slope_pct.tif"):
        (out / name).write_text("old")
    message = (
        r"already holds results \(summary.json, results.gpkg, slope_pct.tif and 1 more\)\. "
        r"Add --overwrite to replace them, or name another folder with --out"
    )
    with pytest.raises(OutputError, match=message), whole_output(out, overwrite=False):
        pytest.fail("the work must not start")
    with pytest.raises(OutputError, match=message):
        check_output_folder(out, overwrite=False)


def test_whole_output_file_of_the_same_name_is_refused_at_the_end(tmp_path: Path) -> None:
    out = tmp_path / "run"
    out.mkdir()
    (out / "extra.qml").write_text("mine")
    with pytest.raises(OutputError, match=r"already holds results \(extra.qml\)"):
        write_new(out, "extra.qml")
    assert files(out) == {"extra.qml": "mine"}


def test_whole_output_overwrite_replaces_results_and_their_companions(tmp_path: Path) -> None:
    out = tmp_path / "run"
    out.mkdir()
    for name in ("results.gpkg", "results.gpkg-journal", "slope_pct.tif.aux.xml", "notes.txt"):
        (out / name).write_text("old")
    with whole_output(out, overwrite=True) as folder:
        for name in ("results.gpkg", "slope_pct.tif"):
            (folder / name).write_text("new")
    assert files(out) == {"notes.txt": "old", "results.gpkg": "new", "slope_pct.tif": "new"}


@pytest.mark.parametrize(
    ("whole", "part"),
    [
        ("schedule.gpkg", "calendar_2.png"),
        ("schedule.gpkg", "calendar_12.png"),
        ("results.gpkg", "run_on_depth_mm.tif"),
        ("results.gpkg", "run_on_depth_mm.qml"),
        ("results.gpkg", "map_run_on.png"),
    ],
)
def test_whole_output_overwrite_leaves_no_part_of_the_run_before(
    tmp_path: Path, whole: str, part: str
) -> None:
    out = tmp_path / "run"
    out.mkdir()
    kept = ("calendar_mine.png", "my_calendar_2.png", "run_on_depth_mm.csv")
    for name in (whole, part, *kept):
        (out / name).write_text("old")
    write_new(out, "ranking.csv", overwrite=True)  # another command: nothing is of its kind
    assert (out / part).read_text() == "old"
    write_new(out, whole, part, overwrite=True)
    assert (out / part).read_text() == "new"
    write_new(out, whole, overwrite=True)
    assert files(out) == dict.fromkeys(kept, "old") | {"ranking.csv": "new", whole: "new"}


def test_whole_output_a_folder_with_a_summary_is_whole_at_every_step_of_the_exchange(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So it may be killed at any of them: files left of the run before go with its summary."""
    names = ("screening.gpkg", "screening.qgs", "summary.json", "zones.csv")
    out = tmp_path / "run"
    out.mkdir()
    for name in (*names, "screening.png"):
        (out / name).write_text("old")
    before, steps = files(out), []
    real_replace = Path.replace

    def noted(source: Path, target: Path) -> Path:
        moved = real_replace(source, target)
        steps.append({path.name: path.read_text() for path in out.iterdir() if path.is_file()})
        return moved

    monkeypatch.setattr(Path, "replace", noted)
    write_new(out, *names, overwrite=True)
    after = dict.fromkeys(names, "new")
    assert len(steps) == 9  # five away, four in
    assert [step for step in steps if "summary.json" in step] == [after]
    assert files(out) == after != before


def test_whole_output_leftovers_come_back_when_the_exchange_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "run"
    out.mkdir()
    for name in ("schedule.gpkg", "calendar_2.png"):
        (out / name).write_text("old")
    real_replace = Path.replace

    def failing_replace(source: Path, target: Path) -> Path:
        if source.name == "schedule.gpkg" and source.parent.name.startswith(".partial"):
            raise OSError(errno.EACCES, "Permission denied")
        return real_replace(source, target)

    monkeypatch.setattr(Path, "replace", failing_replace)
    with pytest.raises(OutputError, match="cannot be written: Permission denied"):
        write_new(out, "schedule.gpkg", overwrite=True)
    assert files(out) == {"calendar_2.png": "old", "schedule.gpkg": "old"}


def test_whole_output_move_that_fails_midway_puts_everything_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "run"
    out.mkdir()
    for name in ("results.gpkg", "slope_pct.tif", "summary.json"):
        (out / name).write_text("old")
    real_replace = Path.replace

    def failing_replace(source: Path, target: Path) -> Path:
        if source.name == "summary.json" and source.parent.name.startswith(".partial"):
            raise OSError(errno.EACCES, "Permission denied")
        return real_replace(source, target)

    monkeypatch.setattr(Path, "replace", failing_replace)
    names = ("results.gpkg", "slope_pct.tif", "summary.json", "heads_reaching.tif")
    with pytest.raises(OutputError, match="cannot be written: Permission denied"):
        write_new(out, *names, overwrite=True)
    assert files(out) == {"results.gpkg": "old", "slope_pct.tif": "old", "summary.json": "old"}


def test_whole_output_full_disk_is_told_and_leaves_nothing(tmp_path: Path) -> None:
    full = OSError(errno.ENOSPC, "No space left on device")
    with pytest.raises(OutputError, match=r"No space left while writing to .*run"):
        write_new(tmp_path / "run", "results.gpkg", ending=full)
    assert os.listdir(tmp_path) == []


def test_check_output_folder_a_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "run"
    path.write_text("")
    with pytest.raises(OutputError, match=r"is a file, not a folder. Name another folder"):
        check_output_folder(path, overwrite=True)


def test_check_output_folder_below_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "plan.dxf").write_text("")
    with pytest.raises(OutputError, match=r"cannot be made, since .*plan.dxf' is a file"):
        check_output_folder(tmp_path / "plan.dxf" / "run", overwrite=False)


def test_check_output_folder_where_nothing_may_be_made_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Tests may run as a user whom no permission stops, so the refusal is acted.
    def refuse(path: Path, *args: object, **kwargs: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(OutputError, match=r"cannot be written: Permission denied. Change its perm"):
        check_output_folder(tmp_path / "run", overwrite=False)


def test_check_output_folder_leaves_no_trace(tmp_path: Path) -> None:
    check_output_folder(tmp_path / "a" / "run", overwrite=False)
    assert os.listdir(tmp_path) == []


def test_check_output_folder_folder_in_the_place_of_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "results.gpkg").mkdir()
    with pytest.raises(OutputError, match=r"has a folder named 'results.gpkg'"):
        check_output_folder(tmp_path, overwrite=True)
