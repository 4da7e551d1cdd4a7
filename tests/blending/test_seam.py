"""The seam search against a second implementation, and where the seam should go for plain reasons."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from skimage.graph import MCP

from dieplat.blending.seam import find_seam, seam_path
from dieplat.blending.weights import edge_penalty, seam_weights, settle


@given(st.integers(0, 2**32 - 1), st.integers(1, 30), st.integers(1, 20))
def test_the_path_is_as_cheap_as_the_cheapest_of_another_search(seed: int, rows: int, columns: int) -> None:
    """scikit-image's minimum cost paths (Dijkstra) over the same three steps, from top to bottom."""
    cost = np.random.default_rng(seed).uniform(0.01, 1.0, (rows, columns))
    path = seam_path(cost)
    assert np.abs(np.diff(path)).max(initial=0) <= 1
    search = MCP(cost, offsets=[(1, -1), (1, 0), (1, 1)])
    totals, _ = search.find_costs([(0, column) for column in range(columns)])
    np.testing.assert_allclose(cost[np.arange(rows), path].sum(), totals[-1].min(), rtol=1e-12)


def test_equal_pictures_part_in_the_middle() -> None:
    picture = np.full((200, 120, 3), 90, np.uint8)
    # The middle lies between two cells of 4 px.
    assert np.abs(find_seam(picture, picture) - 60).max() <= 2


def test_the_seam_goes_round_what_differs() -> None:
    first = np.full((240, 160), 90, np.uint8)
    second = first.copy()
    second[80:160, 40:100] = 200
    seam = find_seam(first, second)
    assert ((seam[80:160] < 40) | (seam[80:160] > 100)).all()


def test_the_seam_keeps_off_the_edges() -> None:
    rng = np.random.default_rng(2)
    first = rng.integers(0, 255, (400, 100), dtype=np.uint8)
    second = rng.integers(0, 255, (400, 100), dtype=np.uint8)
    second[:, :8], second[:, -8:] = first[:, :8], first[:, -8:]
    seam = find_seam(first, second, margin_px=8)
    assert seam.min() >= 8
    assert seam.max() <= 92


def test_a_sliver_is_parted_in_the_middle() -> None:
    picture = np.zeros((50, 7), np.uint16)
    np.testing.assert_array_equal(find_seam(picture, picture), np.full(50, 3.5))


def test_weights_of_both_sides_of_a_seam_add_to_one() -> None:
    seam = np.linspace(20, 40, 30)
    right = seam_weights(seam, 60, feather_px=8, right=True)
    left = seam_weights(seam, 60, feather_px=8, right=False)
    np.testing.assert_allclose(left + right, 1, atol=1e-6)
    # 16 px wide, 1/2 on the seam: at x = 20 in the first row, between columns 19 and 20.
    assert right[0, 11] == 0
    assert right[0, 28] == 1
    np.testing.assert_allclose(right[0, 19:21], [0.5 - 0.5 / 16, 0.5 + 0.5 / 16], atol=1e-6)


def test_the_penalty_of_edges() -> None:
    """1 for 6 px, then down to 0 at 22 px, but only from sides that count."""
    present = np.ones((60, 80), bool)
    penalty = edge_penalty(present, open_sides=(True, False, False, False))
    assert (penalty[:, :6] == 1).all()
    assert (np.diff(penalty[30, 5:22]) < 0).all()
    assert (penalty[:, 22:] == 0).all()
    assert (edge_penalty(present, open_sides=(False, False, False, False)) == 0).all()
    present[:, 70:] = False
    # The last line of a side that does not count is taken for continued, here at the top and the bottom.
    assert (edge_penalty(present, open_sides=(False, False, False, False))[4:-4, 64:] == 1).all()


def test_an_edge_that_no_seam_covers_fades() -> None:
    """A tile in the middle of paint: its edge has weight 0, its middle 1, and nothing jumps."""
    tile, under = np.ones((80, 90), bool), np.ones((80, 90), bool)
    weights = settle(np.ones((80, 90), np.float32), tile=tile, under=under, open_sides=(True, True, True, True))
    assert weights[0].max() == weights[:, 0].max() == 0
    assert weights[40, 45] == 1
    assert np.abs(np.diff(weights, axis=1)).max() < 1.01 / 16


def test_what_is_not_painted_is_the_tiles_and_what_is_not_the_tiles_stays() -> None:
    tile, under = np.ones((80, 90), bool), np.ones((80, 90), bool)
    tile[:, :10] = False
    under[:, 60:] = False
    weights = settle(np.zeros((80, 90), np.float32), tile=tile, under=under, open_sides=(False,) * 4)
    assert (weights[:, 60:] == 1).all()
    assert (weights[:, :10] == 0).all()
    assert (weights[:, 30] == 0).all()
