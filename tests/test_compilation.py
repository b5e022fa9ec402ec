"""What is told of compiling."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import geoirrig

PROGRAM = """
from small_kernel import doubled
from geoirrig.compilation import tell_when_compiling
tell_when_compiling(lambda: print("compiling"))
print(doubled(2.0), doubled(3.0))
"""
PACKAGE = Path(geoirrig.__file__).parent
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


def test_no_kernel_hands_a_named_tuple_to_the_interpreter() -> None:
    """An interrupt while it is made there, from within the kernel, would end the process."""
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in PACKAGE.rglob("*.py")]
    nodes = [node for tree in trees for node in ast.walk(tree)]
    named = {
        node.name
        for node in nodes
        if isinstance(node, ast.ClassDef) and "NamedTuple" in map(ast.unparse, node.bases)
    }
    functions = [node for node in nodes if isinstance(node, ast.FunctionDef)]
    kernels = [f for f in functions if any("compiled" in ast.unparse(d) for d in f.decorator_list)]
    handing = {
        f.name
        for f in kernels
        if f.returns is not None and named & set(re.findall(r"\w+", ast.unparse(f.returns)))
    }
    assert len(named) > 10
    assert len(handing) > 5
    called = {
        ast.unparse(node.func).rpartition(".")[2]
        for f in functions
        if f not in kernels
        for node in ast.walk(f)
        if isinstance(node, ast.Call)
    }
    assert handing & called == set()
