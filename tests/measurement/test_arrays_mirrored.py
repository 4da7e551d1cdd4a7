"""Banks that contradict one another on what a cell is are not believed."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely
from array_pictures import Recipe, draw

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays_banks import Extent
from dieplat.measurement.arrays_blocks import Block
from dieplat.measurement.arrays_frame import resample
from dieplat.measurement.arrays_mirrored import cells_of

MIRRORED = Recipe(pitch_x=11.0, pitch_y=12.0, columns=(16,), rows=(12,), mirrored_y=True, margin_px=0.0)
PLAIN = dataclasses.replace(MIRRORED, pitch_y=24.0, rows=(6,), mirrored_y=False)


def asked(*recipes: Recipe) -> tuple[int, int]:
    """Cells a period of banks one beside the other, all with periods of 11 px by 24 px."""
    pictures = [draw(recipe)[0].astype(np.float32) for recipe in recipes]
    width = 11 * (pictures[0].shape[1] // 11)
    grey = np.hstack([picture[:, :width] for picture in pictures])
    reciprocal = np.diag([1 / 11.0, 1 / 24.0])
    polygon = shapely.box(0, 0, grey.shape[1], grey.shape[0])
    frame = resample(grey, np.ones(grey.shape, bool), polygon, reciprocal)
    blocks = []
    for index in range(len(recipes)):
        corner = (np.add(MIRRORED.offset, (index * width, 0.0)) - frame.origin) / (frame.step_x[0], frame.step_y[1])
        far = np.add(corner, (16 * frame.samples[0], 6 * frame.samples[1]))
        sides = [
            Extent((low, low + 1.0), (high - 1.0, high), False, False) for low, high in zip(corner, far, strict=True)
        ]
        blocks.append(Block(*sides))
    return cells_of(grey, (), frame, blocks, reciprocal, np.array([11.0, 24.0]))[:2]


@pytest.mark.parametrize(("recipe", "cells"), [(MIRRORED, (1, 2)), (PLAIN, (1, 1))])
def test_banks_that_agree_are_believed(recipe: Recipe, cells: tuple[int, int]):
    assert asked(recipe) == asked(recipe, recipe) == cells


@pytest.mark.parametrize("recipes", [(MIRRORED, PLAIN), (PLAIN, MIRRORED)])
def test_banks_that_contradict_one_another_are_refused(recipes: tuple[Recipe, Recipe]):
    """The largest bank alone, lopsided under a hair, once halved the count of an invented memory."""
    with pytest.raises(UndecidedError, match="one bank shows"):
        asked(*recipes)
