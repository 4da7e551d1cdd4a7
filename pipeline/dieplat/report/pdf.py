"""The report as PDF, printed by a browser that is installed: nobody lays out pages better."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from dieplat.errors import SettingsError
from dieplat.files import atomic_path

BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "msedge",
    "microsoft-edge",
)
VARIABLE = "CHROMIUM"
"""Environment variable that names another browser of this family."""
MARK_LINE = b"% dieplat\n"
"""A comment behind the end, by which we know our own file. Readers seek the end in the last kilobyte (from memory)."""
_LIMIT_S = 120


def find_browser() -> Path | None:
    """A browser that prints from the command line: the one that `VARIABLE` names, else one on the path."""
    named = os.environ.get(VARIABLE)
    found = named if named and Path(named).is_file() else next(filter(None, map(shutil.which, BROWSERS)), None)
    return Path(found) if found else None


def print_pdf(page: Path, out: Path) -> None:
    """Print a page of ours as a PDF file, whole or not at all.

    Raises
    ------
    SettingsError
        If no browser is installed, or it does not print.
    """
    browser = find_browser()
    if browser is None:
        raise SettingsError(
            f"{out}: no browser was found to print it (Chromium, Chrome or Edge); name one in {VARIABLE}, "
            f"or open {page} and print it"
        )
    with tempfile.TemporaryDirectory() as profile, atomic_path(out) as temporary:
        command = [
            str(browser),
            "--headless",
            "--disable-gpu",
            "--no-first-run",
            "--no-pdf-header-footer",
            f"--user-data-dir={profile}",
            f"--print-to-pdf={temporary.resolve()}",
            page.resolve().as_uri(),
        ]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # it refuses to start as root otherwise
        try:
            done = subprocess.run(command, capture_output=True, timeout=_LIMIT_S, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise SettingsError(
                f"{out}: {browser} did not print ({type(error).__name__}); open {page} instead"
            ) from None
        if done.returncode != 0 or not temporary.is_file() or not temporary.read_bytes().startswith(b"%PDF"):
            raise SettingsError(f"{out}: {browser} did not print; open {page} and print it there")
        with temporary.open("ab") as handle:
            handle.write(MARK_LINE)
