"""Arrays whose banks hold few periods along one axis."""

from __future__ import annotations

import numpy as np
import pytest
from array_pictures import Recipe, draw
from test_arrays import check

from dieplat.measurement import arrays_period
from dieplat.measurement.arrays import measure_array
from dieplat.measurement.arrays_few import lattice_of_few
from dieplat.measurement.arrays_frame import grey_of, raster


def few(recipe: Recipe):
    image, polygon = draw(recipe)
    grey = grey_of(image)
    return lattice_of_few(grey, raster(polygon, grey.shape))


@pytest.mark.parametrize("rows", [(6, 6), (8, 8)])
@pytest.mark.parametrize("rotation_deg", [-1.1, 0.4])
def test_banks_of_three_and_four_pairs_are_counted(rows: tuple[int, ...], rotation_deg: float):
    """Two banks above two others, whose straps put them out of step."""
    recipe = Recipe(9.17, 11.56, rotation_deg, (12, 12), rows, (16.0,), (15.0,), mirrored_y=True, seed=5)
    check(recipe, measure_array(*draw(recipe)))


@pytest.mark.parametrize("upright", [False, True])
def test_the_period_of_few_is_found_along_either_axis(upright: bool):
    many, short = {"pitch": 9.17, "count": (14, 14)}, {"pitch": 12.4, "count": (6, 6)}
    x, y = (short, many) if upright else (many, short)
    mirrored = {"mirrored_x": upright, "mirrored_y": not upright}
    recipe = Recipe(x["pitch"], y["pitch"], 0.7, x["count"], y["count"], (13.0,), (14.0,), **mirrored, seed=2)
    found = few(recipe)
    assert found is not None
    length = [np.hypot(*found[k]) for k in (0, 1)]
    # The way in: a part of a pixel is enough.
    assert length == pytest.approx([x["pitch"] * (1 + upright), y["pitch"] * (2 - upright)], abs=0.6)
    angle = np.degrees([np.arctan2(found[0][1], found[0][0]), np.arctan2(-found[1][0], found[1][1])])
    assert angle == pytest.approx([0.7, 0.7], abs=0.5)


def test_banks_as_a_whole_are_not_taken_for_cells():
    """Four banks of four rows repeat as a whole, further on than the rows within them do."""
    found = few(Recipe(8.2, 12.0, 0.0, (30,), (4,) * 4, (), (14.0,) * 3, seed=1))
    assert found is not None
    assert np.hypot(*found[1]) == pytest.approx(12.0, abs=0.6)


def test_two_periods_a_bank_are_not_believed():
    """Parts of a cell are met again over as many rows as they are apart, too."""
    assert few(Recipe(8.2, 12.0, 0.0, (30,), (4, 4), (), (17.0,), mirrored_y=True, seed=1)) is None


def test_noise_has_no_few_periods():
    noise = np.random.default_rng(0).normal(100, 5, (150, 220)).astype(np.float32)
    assert lattice_of_few(noise, np.ones(noise.shape, dtype=bool)) is None


def test_a_weak_period_gives_way_to_rows_that_are_alike(monkeypatch: pytest.MonkeyPatch):
    recipe = Recipe(9.17, 11.56, 0.4, (12, 12), (8, 8), (16.0,), (15.0,), mirrored_y=True, seed=5)
    chance = (np.array([9.17, 0.06]), np.array([-0.2, 35.0]), 0.07)
    monkeypatch.setattr(arrays_period, "coarse_lattice", lambda image, mask: chance)
    check(recipe, measure_array(*draw(recipe)))
