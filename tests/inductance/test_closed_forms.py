"""Closed forms against arithmetic done apart from this code, and the limits of their use.

The forms are those of S. S. Mohan et al., IEEE J. Solid-State Circuits 34(10), 1419-1424 (1999), with
coefficients from transcriptions. The paper's measured inductors were not at hand and nothing here claims to
reproduce them.
"""

from __future__ import annotations

import pytest

from dieplat.inductance.closed_forms import closed_forms, mohan_inner_um

# Formula arithmetic, computed independently of this package: it checks coding, not physics.
ARITHMETIC = [
    ("square", 3, 200, 8, 2, 3.14431, 3.18149, 3.14795),
    ("square", 5, 400, 15, 4, 12.55095, 12.41679, 12.30672),
    ("hexagon", 3, 200, 8, 2, 2.79462, 2.77956, 2.80740),
    ("octagon", 3, 250, 10, 2, 3.52614, 3.50548, 3.56680),
]


@pytest.mark.parametrize(("shape", "n", "d", "w", "s", "wheeler", "sheet", "monomial"), ARITHMETIC)
def test_polygons(shape, n, d, w, s, wheeler, sheet, monomial):
    forms = closed_forms(shape, n, d, mohan_inner_um(n, d, w, s), w, s)
    # Half a unit of the last digit quoted.
    assert forms.modified_wheeler == pytest.approx(wheeler, abs=6e-6)
    assert forms.current_sheet == pytest.approx(sheet, abs=6e-6)
    assert forms.monomial == pytest.approx(monomial, abs=6e-6)


def test_circle_has_only_the_current_sheet():
    assert mohan_inner_um(3, 200, 8, 2) == 144
    forms = closed_forms("circle", 3, 200, 144, 8, 2)
    assert forms.current_sheet == pytest.approx(2.64630, abs=6e-6)
    assert forms.modified_wheeler is None
    assert forms.monomial is None
    assert any("circle" in remark for remark in forms.remarks)


def test_leaving_the_fitted_range_is_said():
    inside = closed_forms("octagon", 3, 250, 182, 10, 2)
    assert inside.remarks == ()
    small = closed_forms("octagon", 3, 60, 42, 2, 1)
    assert len(small.remarks) == 1
    assert "from memory" in small.remarks[0]
    assert "outer diameter 60 um" in small.remarks[0]
    assert "spacing 1 um" in small.remarks[0]


def test_monomial_is_not_defined_without_spacing():
    assert closed_forms("square", 1, 200, 180, 10, 0).monomial is None
