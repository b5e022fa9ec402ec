"""Programs from outside the project that some tests compare with."""

from __future__ import annotations

import importlib
import os
import shutil
from types import ModuleType

import pytest

REQUIRE_ALL = "GEOIRRIG_REQUIRE_ALL"


def require_module(name: str) -> ModuleType:
    """A module; without it the test is skipped, or fails where all are required."""
    try:
        return importlib.import_module(name)
    except ImportError:
        reason = f"the module {name!r} is not installed"
    if os.environ.get(REQUIRE_ALL) == "1":
        pytest.fail(f"{reason}, and {REQUIRE_ALL}=1 requires it")
    pytest.skip(reason)


def require_program(name: str) -> str:
    """Path of a program; without it the test is skipped, or fails where all are required.

    Set GEOIRRIG_REQUIRE_ALL=1 where every check has to run, so that none is skipped unnoticed.
    """
    path = shutil.which(name)
    if path is not None:
        return path
    reason = f"the program {name!r} is not installed"
    if os.environ.get(REQUIRE_ALL) == "1":
        pytest.fail(f"{reason}, and {REQUIRE_ALL}=1 requires it")
    pytest.skip(reason)
