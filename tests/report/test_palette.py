"""Kinds can be told apart without colour, and colours come from the published set."""

from __future__ import annotations

import itertools

import pytest

from dieplat.report.palette import AREA_KINDS, STYLES, UNASSIGNED, contrast, luminance, style_of
from dieplat.values import KINDS

# M. Okabe, K. Ito, Color Universal Design (2002/2008): the eight colours, R,G,B.
OKABE_ITO = {
    (0, 0, 0),
    (230, 159, 0),
    (86, 180, 233),
    (0, 158, 115),
    (240, 228, 66),
    (0, 114, 178),
    (213, 94, 0),
    (204, 121, 167),
}
NEUTRAL = {"#999999", "#FFFFFF"}


def test_every_kind_has_a_style() -> None:
    assert set(STYLES) == set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_colours_are_from_the_set_or_neutral(kind: str) -> None:
    colour = STYLES[kind].colour
    rgb = tuple(int(colour[i : i + 2], 16) for i in (1, 3, 5))
    assert rgb in OKABE_ITO or colour in NEUTRAL


def test_no_two_kinds_share_hatch_and_dash() -> None:
    marks = [(style.hatch, style.dash) for style in [*STYLES.values(), UNASSIGNED]]
    assert all(first != second for first, second in itertools.combinations(marks, 2))


def test_areas_have_hatches_and_different_colours() -> None:
    assert all(STYLES[kind].hatch for kind in AREA_KINDS)
    assert len({STYLES[kind].colour for kind in AREA_KINDS}) == len(AREA_KINDS)


def test_unknown_kinds_are_drawn_as_other() -> None:
    assert style_of("flux_capacitor") == STYLES["other"]


def test_contrast_as_defined() -> None:
    # WCAG 2.2: black on white is 21 to 1; #777777 on white is 4.48 to 1 (common practice, often quoted).
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#FFFFFF", "#777777") == pytest.approx(4.48, abs=0.005)
    assert luminance("#FFFFFF") == pytest.approx(1.0)
