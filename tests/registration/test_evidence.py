"""What is there once decides between places that a lattice makes alike."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from dieplat.registration.correlate import Image, band_pass
from dieplat.registration.evidence import leads, log_likelihoods

PITCH_PX = (9.25, 11.5)
STEP = (320, 0)


def lattice(rng: np.random.Generator, *, grain: float) -> Image:
    """Cells that repeat exactly, with coarse grain of the given strength (standard deviation, grey levels)."""
    y, x = np.mgrid[0:320, 0:720].astype(np.float64)
    cells = 40 * np.sin(2 * np.pi * x / PITCH_PX[0]) * np.sin(2 * np.pi * y / PITCH_PX[1])
    coarse = cv2.GaussianBlur(rng.standard_normal(x.shape), (0, 0), 4.0)
    return np.asarray(120 + cells + grain * coarse / coarse.std(), dtype=np.float32)


def two_tiles(die: Image, rng: np.random.Generator) -> tuple[Image, Image]:
    views = [die[:, :400], die[:, STEP[0] : STEP[0] + 400]]
    noisy = [view + rng.normal(0, 3, view.shape).astype(np.float32) for view in views]
    return band_pass(noisy[0]), band_pass(noisy[1])


RIVALS = [(STEP[0] + i * PITCH_PX[0], j * PITCH_PX[1]) for i in (-2, -1, 0, 1, 2) for j in (-1, 0, 1)]
TRUE = RIVALS.index((STEP[0], 0))


@pytest.mark.parametrize("seed", range(6))
def test_weak_grain_decides_between_cells(seed: int) -> None:
    rng = np.random.default_rng([11, seed])
    a, b = two_tiles(lattice(rng, grain=3.0), rng)
    likelihood = log_likelihoods(a, b)(RIVALS)
    assert int(likelihood.argmax()) == TRUE
    assert likelihood[TRUE] - np.delete(likelihood, TRUE).max() > 9


@pytest.mark.parametrize("seed", range(6))
def test_nothing_decides_where_cells_repeat_exactly(seed: int) -> None:
    rng = np.random.default_rng([12, seed])
    a, b = two_tiles(lattice(rng, grain=0.0), rng)
    likelihood = log_likelihoods(a, b)(RIVALS)
    assert likelihood.max() - likelihood[TRUE] < 9


def test_places_without_overlap_are_impossible() -> None:
    rng = np.random.default_rng(13)
    a, b = two_tiles(lattice(rng, grain=3.0), rng)
    assert log_likelihoods(a, b)([(399.0, 0.0)])[0] == -np.inf


def test_the_fraction_of_a_pixel_counts() -> None:
    rng = np.random.default_rng(14)
    a, b = two_tiles(lattice(rng, grain=6.0), rng)
    near = log_likelihoods(a, b)([(320.0 + d, 0.0) for d in (-3.0, -1.0, 0.0, 1.0, 3.0)])
    assert int(near.argmax()) == 2


@pytest.mark.parametrize("seed", range(6))
def test_weak_grain_puts_the_true_cell_ahead(seed: int) -> None:
    rng = np.random.default_rng([11, seed])
    a, b = two_tiles(lattice(rng, grain=3.0), rng)
    lead = leads(a, b, RIVALS, hopeless=60.0)
    assert lead[TRUE] == 0
    assert np.delete(lead, TRUE).max() < -12


@pytest.mark.parametrize("seed", range(6))
def test_no_cell_is_ahead_where_all_are_alike(seed: int) -> None:
    rng = np.random.default_rng([12, seed])
    a, b = two_tiles(lattice(rng, grain=0.0), rng)
    lead = leads(a, b, RIVALS, hopeless=60.0)
    assert np.sort(lead)[-2] > -12
    assert lead[TRUE] > -24


@pytest.mark.parametrize("seed", range(6))
def test_an_edge_says_nothing_of_places_along_it(seed: int) -> None:
    """Strong and coherent as it is: what counts is in what two places differ."""
    rng = np.random.default_rng([15, seed])
    die = np.full((400, 500), 100, np.float32)
    die[:, 180:] = 160
    die[:, 240:252] = 60
    die = cv2.GaussianBlur(die, (0, 0), 1.0)
    a, b = (band_pass(die[y : y + 300, :400] + rng.normal(0, 3, (300, 400)).astype(np.float32)) for y in (0, 100))
    along = [(0.0, 100.0 + shift) for shift in (-40.0, -20.0, -9.0, 0.0, 9.0, 20.0, 40.0)]
    assert np.sort(leads(a, b, along, hopeless=60.0))[-2] > -12
    # Judged by its coherence alone, one of them would seem to be ahead of another by more than that.
    assert np.ptp(log_likelihoods(a, b)(along)) > 12


def test_a_place_that_hardly_overlaps_is_behind_all_others() -> None:
    rng = np.random.default_rng(16)
    a, b = two_tiles(lattice(rng, grain=6.0), rng)
    assert leads(a, b, [(320.0, 0.0), (399.0, 0.0)], hopeless=60.0).tolist() == [0.0, -np.inf]
