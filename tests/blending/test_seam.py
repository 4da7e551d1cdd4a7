"""The seam search against a second implementation, and where the seam should go for plain reasons."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.graph import MCP

from dieplat.blending.mix import tile_weights
from dieplat.blending.place import Box
from dieplat.blending.seam import Seam, find_seam, focus_measure, seam_path


@settings(deadline=None)  # the first call compiles
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


def test_a_seam_from_left_to_right_is_the_same_seam_turned() -> None:
    first = np.full((160, 240), 90, np.uint8)
    second = first.copy()
    second[40:100, 80:160] = 200
    across = find_seam(first, second, margin_px=20, runs_down=False)
    np.testing.assert_array_equal(across, find_seam(first.T.copy(), second.T.copy(), margin_px=20))
    assert ((across[80:160] < 40) | (across[80:160] > 100)).all()


def blurred_noise(seed: int, sigma: float, *, shape: tuple[int, int]) -> np.ndarray:
    """Fine structure, seen more or less sharply, with the grain of a camera."""
    rng = np.random.default_rng(seed)
    structure = cv2.GaussianBlur(rng.standard_normal(shape), (0, 0), 1.0)
    seen = cv2.GaussianBlur(structure / structure.std(), (0, 0), sigma)
    grain = np.random.default_rng(seed + 100 + round(100 * sigma)).standard_normal(shape)
    return np.clip(np.rint(127 + 30 * seen + 3 * grain), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("runs_down", [True, False])
def test_the_sharper_picture_gets_the_overlap(runs_down: bool) -> None:
    """A defocus of 0.7 px against 0.3 px: the seam goes to the far side of the overlap, on either side."""
    sharp, soft = blurred_noise(3, 0.3, shape=(240, 240)), blurred_noise(3, 0.7, shape=(240, 240))
    assert np.median(find_seam(sharp, soft, runs_down=runs_down, margin_px=20)) > 200
    assert np.median(find_seam(soft, sharp, runs_down=runs_down, margin_px=20)) < 40


def test_equally_sharp_pictures_part_near_the_middle() -> None:
    """Noise alone may not send the seam to a side."""
    one, other = blurred_noise(3, 0.3, shape=(240, 240)), blurred_noise(3, 0.31, shape=(240, 240))
    assert abs(np.median(find_seam(one, other, margin_px=20)) - 120) < 60


def test_the_focus_measure_is_that_of_its_wave() -> None:
    """A wave sin(w x) has second differences over 2 px of (2 - 2 cos 2w) times itself, and a mean square of 1/2."""
    w = 2 * np.pi / 8
    wave = 1000 * np.sin(w * np.arange(256))[None, :] + np.zeros((256, 1)) + 2000
    expected = 0.5 * (1000 * (2 - 2 * np.cos(2 * w))) ** 2
    # A window holds whole periods but for its ends; the wave is rounded to 1/1000 of its height.
    np.testing.assert_allclose(focus_measure(np.rint(wave).astype(np.uint16))[1:-1, 1:-1], expected, rtol=0.02)


def a_seam(at_px: np.ndarray, width: int, *, after: bool) -> Seam:
    return Seam(Box(0, 0, width, len(at_px)), at_px, True, after)


def test_weights_of_both_sides_of_a_seam_add_to_one() -> None:
    path = np.linspace(20, 40, 30)
    part = Box(0, 0, 60, 30)
    right, left = (
        tile_weights(part, part, seams=(a_seam(path, 60, after=after),), covered=(part,), open_sides=(False,) * 4)
        for after in (True, False)
    )
    np.testing.assert_allclose(left + right, 1, atol=1e-6)
    # 16 px wide, 1/2 on the seam: at x = 20 in the first row, between columns 19 and 20.
    assert right[0, 11] == 0
    assert right[0, 28] == 1
    np.testing.assert_allclose(right[0, 19:21], [0.5 - 0.5 / 16, 0.5 + 0.5 / 16], atol=1e-6)


@settings(deadline=None)  # the first call compiles
@given(st.integers(0, 150), st.integers(0, 90), st.booleans(), st.booleans())
def test_a_part_on_one_side_of_a_seam_is_known_without_its_weights(
    x0: int, y0: int, after: bool, runs_down: bool
) -> None:
    """A single number is said only where the ramp beside the seam has come to its end at every pixel."""
    path = 60 + 30 * np.sin(np.arange(200) / 30.0)
    whole = Box(0, 0, 200, 200)
    seam = Seam(whole, path, runs_down, after)
    part = Box(x0, y0, x0 + 50, y0 + 50)
    found = tile_weights(part, whole, seams=(seam,), covered=(whole,), open_sides=(False,) * 4)
    y, x = np.mgrid[part.y0 : part.y1, part.x0 : part.x1]
    off = x + 0.5 - path[y] if runs_down else y + 0.5 - path[x]
    ramp = np.clip(0.5 + (off if after else -off) / 16, 0, 1)
    np.testing.assert_allclose(np.broadcast_to(found, ramp.shape), ramp, atol=1e-6)


WHOLE = Box(0, 0, 80, 60)


def weights_of(*, seams: tuple[Seam, ...] = (), covered: tuple[Box, ...], open_sides: tuple[bool, ...]) -> np.ndarray:
    found = tile_weights(WHOLE, WHOLE, seams=seams, covered=covered, open_sides=open_sides)
    return np.broadcast_to(found, (60, 80))


def test_a_tile_fades_towards_a_side_that_counts() -> None:
    """0 for 4 px, then up to 1 at 20 px, but only from sides that count."""
    weights = weights_of(covered=(WHOLE,), open_sides=(True, False, False, False))
    assert (weights[:, :4] == 0).all()
    assert (np.diff(weights[30, 4:20]) > 0).all()
    assert (weights[:, 20:] == 1).all()
    assert (weights_of(covered=(WHOLE,), open_sides=(False,) * 4) == 1).all()


def test_an_edge_that_no_seam_covers_fades() -> None:
    """A tile in the middle of paint: its edge has weight 0, its middle 1, and nothing jumps."""
    weights = weights_of(covered=(WHOLE,), open_sides=(True,) * 4)
    assert weights[0].max() == weights[:, 0].max() == 0
    assert weights[30, 40] == 1
    assert np.abs(np.diff(weights, axis=1)).max() < 1.01 / 16


def test_what_is_not_painted_is_the_tiles() -> None:
    """Where the paint ends the seam turns along its edge, and fades over as many pixels."""
    nothing = a_seam(np.full(60, 100.0), 80, after=True)
    weights = weights_of(seams=(nothing,), covered=(Box(0, 0, 60, 60),), open_sides=(False,) * 4)
    assert (weights[:, 56:] == 1).all()
    assert (weights[:, :39] == 0).all()
    assert np.abs(np.diff(weights, axis=1)).max() < 1.05 / 16
