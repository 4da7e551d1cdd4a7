"""What is installed: the page's built files are inside, and no Node is needed."""

from __future__ import annotations

from importlib import resources

from dieplat.annotate.server import PAGE_FILES, index_html


def test_the_built_page_is_part_of_the_package() -> None:
    folder = resources.files("dieplat.annotate") / "page"
    for name in (*PAGE_FILES, "index.html"):
        assert (folder / name).is_file(), name
    assert len((folder / "page.js").read_bytes()) > 100_000


def test_the_page_names_its_own_files_only() -> None:
    html = index_html(mode="draw", key="k")
    assert "{{" not in html
    assert "http" not in html


def test_the_licences_of_what_is_bundled_are_shipped() -> None:
    notices = (resources.files("dieplat.annotate") / "page" / "notices.txt").read_text(encoding="utf-8")
    for name in ("ol ", "rbush ", "quickselect "):
        assert f"\n{name}" in f"\n{notices}"
    assert "Redistribution and use" in notices
