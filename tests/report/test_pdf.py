"""The report printed by a browser."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dieplat.errors import SettingsError
from dieplat.files import is_ours
from dieplat.report.pdf import BROWSERS, find_browser, print_pdf


@pytest.mark.browser
def test_a_page_is_printed_whole_and_known_as_ours(tmp_path: Path) -> None:
    if find_browser() is None:
        pytest.skip(f"none of {', '.join(BROWSERS)} is installed")
    page, out = tmp_path / "report.html", tmp_path / "report.pdf"
    page.write_text("<h1>One</h1><h1 style='break-before: page'>Two</h1>", encoding="utf-8")
    print_pdf(page, out)
    data = out.read_bytes()
    assert data.startswith(b"%PDF")
    assert b"%%EOF" in data[-1024:]
    assert len(re.findall(rb"/Type\s*/Page\b", data)) == 2
    assert is_ours(out)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["report.html", "report.pdf"]


def test_without_a_browser_it_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.delenv("CHROMIUM", raising=False)
    with pytest.raises(SettingsError, match=r"open .*report\.html and print it"):
        print_pdf(tmp_path / "report.html", tmp_path / "report.pdf")


def test_a_browser_that_fails_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broken = tmp_path / "browser"
    broken.write_text("#!/bin/sh\nexit 3\n", encoding="utf-8")
    broken.chmod(0o755)
    monkeypatch.setenv("CHROMIUM", str(broken))
    with pytest.raises(SettingsError, match="did not print"):
        print_pdf(tmp_path / "report.html", tmp_path / "report.pdf")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["browser"]
