"""Lattices to start from: which are tried, and in which order."""

from __future__ import annotations

import numpy as np
import pytest
from array_pictures import Recipe, draw
from test_arrays import check

from dieplat.errors import UndecidedError
from dieplat.measurement import arrays_few, arrays_period, arrays_phase
from dieplat.measurement.arrays import measure_array
from dieplat.measurement.arrays_start import starts

NOISE = np.random.default_rng(0).normal(100, 10, (120, 160)).astype(np.float32)


def lattice(x_px: float, y_px: float, strength: float = 0.5):
    return np.array([x_px, 0.0]), np.array([0.0, y_px]), strength


def shown(monkeypatch: pytest.MonkeyPatch, coarse, few, parts, strays: float = 1.0) -> list[float]:
    """Period along x of every start, where the three ways show these lattices."""

    def all_of_it(image, mask):
        if coarse is None:
            raise UndecidedError("memory array: nothing")
        return coarse

    monkeypatch.setattr(arrays_period, "coarse_lattice", all_of_it)
    monkeypatch.setattr(arrays_few, "lattice_of_few", lambda image, mask: few)
    monkeypatch.setattr(arrays_period, "lattice_of_parts", lambda image, mask: parts)
    monkeypatch.setattr(arrays_phase, "advance", lambda phase, reciprocal: reciprocal / strays)
    found = starts(NOISE, np.ones(NOISE.shape, bool))
    return [round(float(1 / start.reciprocal[0, 0]), 6) for start in found]


def test_a_lattice_that_leads_nowhere_gives_way_to_that_of_rows_that_are_alike(monkeypatch: pytest.MonkeyPatch):
    recipe = Recipe(13.03, 12.59, 0.3, (4, 4, 4), (10,), (19.0, 19.0), outside="metal", margin_px=1.0, seed=5)
    beats = np.array([28.13, 0.15]), np.array([-0.07, 12.59]), 0.5
    monkeypatch.setattr(arrays_period, "coarse_lattice", lambda image, mask: beats)
    found = measure_array(*draw(recipe))
    check(recipe, found, 1e-3)
    assert any("leads to no count" in remark for remark in found.remarks)


def test_the_strong_one_comes_first_and_each_once(monkeypatch: pytest.MonkeyPatch):
    strong = lattice(14, 12)
    assert shown(monkeypatch, strong, lattice(17, 12), lattice(20, 12)) == [14, 17, 20]
    assert shown(monkeypatch, strong, lattice(14.1, 12.1), lattice(20, 12)) == [14, 20]
    assert shown(monkeypatch, lattice(14, 12, 0.05), lattice(17, 12), None) == [17]
    assert shown(monkeypatch, None, lattice(17, 12), lattice(20, 12)) == [17, 20]


def test_parts_of_a_lattice_and_fine_ones_are_not_tried_after_it(monkeypatch: pytest.MonkeyPatch):
    assert shown(monkeypatch, lattice(28, 12), lattice(14.2, 12), lattice(28, 36.5)) == [28]
    assert shown(monkeypatch, lattice(14, 12), lattice(17, 7), None) == [14]


def test_phases_that_stray_from_the_autocorrelation_come_second(monkeypatch: pytest.MonkeyPatch):
    """Banks some cells high and out of step may pull a period by a tenth."""
    assert shown(monkeypatch, lattice(14, 12), None, None, strays=1.12) == [14, pytest.approx(15.68, abs=1e-5)]
    assert shown(monkeypatch, lattice(14, 12), None, None, strays=1.01) == [pytest.approx(14.14, abs=1e-5)]


def test_a_picture_without_any_says_why(monkeypatch: pytest.MonkeyPatch):
    with pytest.raises(UndecidedError, match="nothing"):
        shown(monkeypatch, None, None, None)
