"""Maps from pairs of marks, against maps that are known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dieplat.alignment import Pair, fit_pairs
from dieplat.errors import RegistrationError

PLACES = [(100.0, 80.0), (3900.0, 150.0), (3800.0, 2700.0), (200.0, 2600.0), (2000.0, 1400.0), (900.0, 2000.0)]


def mapped(matrix: np.ndarray, places: list[tuple[float, float]] = PLACES, u_px: float = 0.5) -> list[Pair]:
    """Pairs that lie exactly on a map."""
    there = [matrix @ [x, y, 1.0] for x, y in places]
    return [Pair(place, (float(x), float(y)), u_px) for place, (x, y) in zip(places, there, strict=True)]


def similarity(turn_deg: float, size: float, x: float, y: float) -> np.ndarray:
    """A turn, a magnification and a shift."""
    c, s = size * math.cos(math.radians(turn_deg)), size * math.sin(math.radians(turn_deg))
    return np.array([[c, -s, x], [s, c, y]])


@given(st.floats(-180, 180), st.floats(0.2, 5.0), st.floats(-1e4, 1e4), st.floats(-1e4, 1e4))
def test_a_similarity_is_found_again(turn_deg: float, size: float, x: float, y: float) -> None:
    matrix = similarity(turn_deg, size, x, y)
    found = fit_pairs(mapped(matrix)[:3])
    assert np.allclose(found.matrix, matrix, atol=1e-6 * max(1.0, abs(x), abs(y)))
    assert found.magnification == pytest.approx(size, rel=1e-9)
    assert abs((found.rotation_deg - turn_deg + 180) % 360 - 180) < 1e-6


def test_an_affine_map_is_taken_where_the_pairs_show_it() -> None:
    sheared = np.array([[1.01, 0.02, 5.0], [-0.03, 0.98, -7.0]])
    assert fit_pairs(mapped(sheared)).model == "affine"
    assert np.allclose(fit_pairs(mapped(sheared)).matrix, sheared, atol=1e-8)


def test_a_similarity_is_kept_where_they_do_not() -> None:
    rng = np.random.default_rng(3)
    pairs = [
        Pair(p.reference_px, (p.mosaic_px[0] + rng.normal(0, 0.5), p.mosaic_px[1] + rng.normal(0, 0.5)))
        for p in mapped(similarity(1.0, 1.02, 30.0, -20.0), PLACES * 3)
    ]
    assert fit_pairs(pairs).model == "similarity"


def test_one_wrong_pair_is_named_and_moves_nothing() -> None:
    pairs = mapped(similarity(2.0, 1.0, 10.0, 20.0), [(x + k, y) for k in (0, 50) for x, y in PLACES])
    wrong = Pair(pairs[3].reference_px, (pairs[3].mosaic_px[0] + 300.0, pairs[3].mosaic_px[1]))
    found = fit_pairs([*pairs[:3], wrong, *pairs[4:]])
    assert np.flatnonzero(~found.used).tolist() == [3]
    assert np.allclose(found.matrix, similarity(2.0, 1.0, 10.0, 20.0), atol=0.01)


def test_the_stated_uncertainty_covers_the_truth() -> None:
    """200 draws: 95 % of both coordinates of a place within 1.96 u, binomial limits 92 to 98 %."""
    rng = np.random.default_rng(11)
    truth = similarity(0.7, 1.1, -40.0, 60.0)
    inside = []
    for _ in range(200):
        pairs = [
            Pair(p.reference_px, (p.mosaic_px[0] + rng.normal(0, 0.5), p.mosaic_px[1] + rng.normal(0, 0.5)))
            for p in mapped(truth, PLACES * 3)
        ]
        found = fit_pairs(pairs, model="similarity")
        off = (found.matrix - truth) @ [3000.0, 500.0, 1.0]
        inside.extend(np.abs(off) < 1.96 * found.place_u_px(3000.0, 500.0))
    assert 0.92 < np.mean(inside) < 0.98


@pytest.mark.parametrize("places", [[(5.0, 5.0)], [(5.0, 5.0), (5.0, 5.0)], []])
def test_too_few_places_are_refused(places: list[tuple[float, float]]) -> None:
    with pytest.raises(RegistrationError, match="marks"):
        fit_pairs(mapped(np.eye(2, 3), places))


def test_places_on_a_line_give_no_affine_map() -> None:
    with pytest.raises(RegistrationError, match="one line"):
        fit_pairs(mapped(np.eye(2, 3), [(float(k), float(k)) for k in range(8)]), model="affine")
