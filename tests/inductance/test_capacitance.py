"""Strips over a plane against an exact case and published fits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import ellipk

from dieplat.inductance.capacitance import strip_capacitance


@pytest.mark.parametrize("ratio", [0.2, 1.0, 4.0, 20.0])
def test_one_thin_strip(ratio):
    """E. Hammerstad, O. Jensen, IEEE MTT-S Digest (1980): impedance of a thin strip in air, to 1e-4; from memory."""
    f = 6 + (2 * math.pi - 6) * math.exp(-((30.666 / ratio) ** 0.7528))
    expected = 2 * math.pi / math.log(f / ratio + math.sqrt(1 + (2 / ratio) ** 2))
    # The strip is 1e-3 of its width thick, which adds some 1e-3; the panels leave another 2e-3.
    assert strip_capacitance(np.zeros(1), ratio, 1e-3 * ratio, 1.0)[0, 0] == pytest.approx(expected, rel=4e-3)


@pytest.mark.parametrize(("width", "gap"), [(1.0, 0.2), (1.0, 1.0), (1.0, 4.0)])
def test_two_coplanar_strips_far_from_the_plane(width, gap):
    """Exact by conformal mapping: C = K(k') / K(k), k = s / (s + 2 w) (coplanar strips; from memory)."""
    m = (gap / (gap + 2 * width)) ** 2
    exact = ellipk(1 - m) / ellipk(m)
    matrix = strip_capacitance(np.array([-0.5, 0.5]) * (width + gap), width, 1e-3, 400.0)
    # Opposite potentials of one half each: charge a volt between the strips.
    between = (matrix[0, 0] - matrix[0, 1]) / 2
    # Thickness 1e-3 of the width, and 0.5 % of the gap at the narrowest.
    assert between == pytest.approx(exact, rel=1e-2)


@pytest.mark.parametrize(("w", "t"), [(0.5, 0.5), (1.0, 0.5), (3.0, 1.0), (10.0, 1.0)])
def test_one_thick_strip(w, t):
    """T. Sakurai, K. Tamaru, IEEE Trans. Electron Devices 30(2), 183 (1983): within 6 %; formula from memory."""
    fit = 1.15 * w + 2.80 * t**0.222
    assert strip_capacitance(np.zeros(1), w, t, 1.0)[0, 0] == pytest.approx(fit, rel=6e-2)


def test_a_wide_low_strip_is_a_plate():
    value = strip_capacitance(np.zeros(1), 1000.0, 1.0, 1.0)[0, 0]
    # Plate 1000, and a fringe on either side of some h (1 + ln(...)): below 1 % of it.
    assert 1000 < value < 1010


def test_the_matrix_is_that_of_a_passive_network():
    matrix = strip_capacitance(np.arange(4) * 12.0, 10.0, 2.0, 4.0)
    assert np.linalg.eigvalsh(matrix).min() > 0
    off = matrix - np.diag(np.diag(matrix))
    assert np.all(off <= 1e-9)
    assert np.all(matrix.sum(axis=1) > 0)
    # Outer strips have a free side, inner ones are shielded by their neighbours.
    assert matrix.sum(axis=1)[0] > matrix.sum(axis=1)[1]
    # Mirror image.
    assert matrix == pytest.approx(matrix[::-1, ::-1], rel=1e-9)
