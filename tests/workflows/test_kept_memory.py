"""What a process frees is there when it next wants memory."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

PAGES = """
import resource
from geoirrig.workflows.kept_memory import keep_freed_memory
keep_freed_memory()
faults = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(3):
    before = faults()
    block = bytearray(16 * 2**20)
    del block
    print(faults() - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another allocator")
def test_keep_freed_memory_no_page_is_new_the_second_time() -> None:
    printed = subprocess.run(
        [sys.executable, "-c", PAGES], capture_output=True, text=True, check=True
    ).stdout
    first, *later = (int(line) for line in printed.split())
    assert max(later) < first / 2.0  # however large a page is on this machine
