"""What is told of compiling."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

PROGRAM = """
from small_kernel import doubled
from geoirrig.compilation import tell_when_compiling
tell_when_compiling(lambda: print("compiling"))
print(doubled(2.0), doubled(3.0))
"""
KERNEL = """
from geoirrig.compilation import compiled

@compiled
def doubled(x):
    return 2.0 * x

@compiled
def never_called(x):
    return x
"""


def test_compiling_is_told_once_and_not_when_the_cache_has_it(tmp_path: Path) -> None:
    # A kernel that the run does not call is no cause to tell.
    (tmp_path / "small_kernel.py").write_text(KERNEL, encoding="utf-8")
    script = tmp_path / "program.py"
    script.write_text(PROGRAM, encoding="utf-8")
    first, second = (run_script(script) for _ in range(2))
    assert first == "compiling\n4.0 6.0\n"
    assert second == "4.0 6.0\n"


def run_script(script: Path) -> str:
    return finished(script).stdout


def finished(script: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(script)],
        capture_output=True,
        encoding="utf-8",
        cwd=script.parent,
        check=True,
        timeout=120,
    )
