"""What a process frees is there when it next wants memory."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

PAGES = """
import resource
import threading
import pyarrow as pa
from geoirrig.workflows.kept_memory import keep_freed_memory
keep_freed_memory()
N_BYTES = 16 * 2**20
faults = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_minflt

def take_and_free():
    bytearray(N_BYTES)

def in_a_thread():
    thread = threading.Thread(target=take_and_free)
    thread.start()
    thread.join()

for take in (take_and_free, take_and_free, in_a_thread, take_and_free):
    before = faults()
    take()
    print(faults() - before)
print(pa.default_memory_pool().backend_name)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another allocator")
def test_keep_freed_memory_no_page_is_new_the_second_time_whoever_takes_it() -> None:
    printed = subprocess.run(
        [sys.executable, "-c", PAGES], capture_output=True, text=True, check=True
    ).stdout
    *counts, store_of_arrow = printed.split()
    first, *later = map(int, counts)
    assert max(later) < first / 2.0, printed  # however large a page is on this machine
    assert store_of_arrow == "system"
