"""The guide: a page for each step of the evening, shipped with the program and read in the terminal."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources

from dieplat.errors import SettingsError

ORDER = (
    "evening",
    "photographing",
    "stitching",
    "calibrating",
    "drawing",
    "numbers",
    "inductors",
    "memories",
    "boards",
    "showing",
    "formulas",
)


@dataclass(frozen=True, slots=True)
class Page:
    """A page of the guide: its name, its title and its Markdown."""

    name: str
    title: str
    text: str


def page(name: str) -> Page:
    """A page by its name.

    Raises
    ------
    SettingsError
        If there is no such page.
    """
    if name not in ORDER:
        raise SettingsError(f"{name!r}: the guide has no such page; it has {', '.join(ORDER)}")
    text = (resources.files("dieplat.guide") / f"{name}.md").read_text(encoding="utf-8")
    return Page(name, text.splitlines()[0].removeprefix("# "), text)


def pages() -> tuple[Page, ...]:
    """All pages, in the order of the evening."""
    return tuple(page(name) for name in ORDER)
