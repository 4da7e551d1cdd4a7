"""What all pages have in common: templates, style, patterns of the kinds."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from dieplat import __version__
from dieplat.report import figures
from dieplat.report.picture import Rgb, jpeg_uri


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture inside a page."""

    uri: str
    alt: str
    width: int
    height: int


def shown(pixels: Rgb, alt: str) -> Shown:
    """A picture to put inside a page, and what it shows in words."""
    return Shown(jpeg_uri(pixels), alt, int(pixels.shape[1]), int(pixels.shape[0]))


def rendered(template: str, **content: Any) -> str:
    """One of the templates filled in: a file without scripts, which asks nothing of any network."""
    environment = Environment(
        loader=PackageLoader("dieplat.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["swatch"] = figures.swatch
    style = (files("dieplat.report") / "templates" / "report.css").read_text(encoding="utf-8")
    common = {"style": Markup(style), "hatches": figures.hatch_definitions(), "version": __version__}
    return environment.get_template(template).render(**common, **content)
