"""What tiles do to an array's pitch: closed forms of a straight line's slope (JCGM 100, H.3), drawn displacements."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dieplat.measurement.arrays_carried import carried_u_px
from dieplat.measurement.placement import Inputs, Placement
from dieplat.values import ArrayLattice, Bank, Layout, PlacedTile, Scale

SCALE = Scale(0.1, 0.0, 0.1, 0.0, 10.0, 0.0, 41, 0.0, "made up")
SIDE = 1000
CORNER_PX = SIDE / math.sqrt(2.0)


def inputs(*tiles: PlacedTile, lens: dict[str, float] | None = None) -> Inputs:
    width = int(max(tile.x_px for tile in tiles)) + SIDE
    return Inputs(SCALE, Placement(layout=Layout(width, SIDE, SIDE, SIDE, tiles, (), (), 0.0, lens)))


def tile(x_px: float = 0.0, u_px: float = 0.0) -> PlacedTile:
    return PlacedTile(f"t{x_px:g}", x_px, 0.0, u_px, u_px, "overlap")


def array(*banks: Bank) -> ArrayLattice:
    rows, columns = banks[0].rows, sum(bank.columns for bank in banks)
    return ArrayLattice(10.0, 0.0, 10.0, 0.0, 0.0, columns, rows, columns * rows, banks)


def test_a_lens_that_is_not_known_stretches_a_bank_in_the_tiles_middle():
    """A displacement b (x / R)^3 has the slope 3/5 (L / 2)^2 b / R^3 through evenly spread x of the length L."""
    k1_u = 0.01
    wide = array(Bank((100.0, 490.0, 900.0, 510.0), 80, 2))
    expected = 0.6 * 400.0**2 * k1_u * CORNER_PX / CORNER_PX**3
    across, _ = carried_u_px(wide, inputs(tile(), lens={"k1": 0.0, "k1_u": k1_u}))
    assert across / 10.0 == pytest.approx(expected, rel=0.03)


def test_two_tiles_pull_the_pitch_of_what_lies_on_both():
    """Half the places moved by e: the slope is e 3/2 / L, and two tiles move independently of one another."""
    both = array(Bank((600.0, 490.0, 1400.0, 510.0), 80, 2))
    across, down = carried_u_px(both, inputs(tile(u_px=0.02), tile(1000.0, u_px=0.02), lens={"k1": 0.0, "k1_u": 1e-12}))
    assert across / 10.0 == pytest.approx(math.sqrt(2.0) * 0.02 * 1.5 / 800.0, rel=0.05)
    assert down / 10.0 < 0.1 * across


def test_banks_have_places_of_their_own():
    """A step between two banks moves no pitch: each bank has an offset of its own."""
    apart = array(Bank((100.0, 400.0, 800.0, 600.0), 70, 20), Bank((1200.0, 400.0, 1900.0, 600.0), 70, 20))
    sure = inputs(tile(u_px=0.05), tile(1000.0, u_px=0.05), lens={"k1": 0.0, "k1_u": 1e-12})
    assert max(carried_u_px(apart, sure)) < 1e-9


def test_drawn_lenses_scatter_the_fitted_slope_as_stated():
    rng, k1_u = np.random.default_rng(5), 0.004
    aside = array(Bank((550.0, 520.0, 950.0, 820.0), 40, 30))
    x, y = np.meshgrid(np.linspace(550, 950, 60), np.linspace(520, 820, 60))
    away = np.stack([x, y]) - SIDE / 2
    found = []
    for k1 in rng.normal(0.0, k1_u, 400):
        moved = away * k1 * (away**2).sum(axis=0) / CORNER_PX**2
        found.append([np.polyfit(x.ravel(), moved[0].ravel(), 1)[0], np.polyfit(y.ravel(), moved[1].ravel(), 1)[0]])
    stated = np.array(carried_u_px(aside, inputs(tile(), lens={"k1": 0.0, "k1_u": k1_u}))) / 10.0
    # 400 draws tell a standard deviation to 3.5 %.
    assert np.std(found, axis=0) == pytest.approx(stated, rel=0.12)
