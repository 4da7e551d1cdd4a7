"""Where Chromium is, for the tests that look at pages."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest


def chromium() -> str:
    """Path of Chromium. Skips the test without it, except in CI, where it must be there."""
    path = Path(os.environ.get("CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium")
    if not path.exists():
        reason = f"no Chromium at {path}; install it or set CHROMIUM to its path"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    return str(path)
