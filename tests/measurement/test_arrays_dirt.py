"""Hairs and specks on an array."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from array_pictures import Recipe, draw
from test_arrays import check

from dieplat.measurement import arrays, arrays_start
from dieplat.measurement.arrays import measure_array
from dieplat.measurement.arrays_dirt import without_dirt
from dieplat.measurement.arrays_frame import grey_of, raster

FOUR_BANKS = Recipe(7.6, 9.8, 0.4, (14, 14), (12, 12), (13.0,), (13.0,), seed=3)
VECTORS = [
    pitch * np.array(turn)
    for pitch, turn in (
        (7.6, (np.cos(np.radians(0.4)), np.sin(np.radians(0.4)))),
        (9.8, (-np.sin(np.radians(0.4)), np.cos(np.radians(0.4)))),
    )
]


def with_hair(picture, points, wide_px=6):
    """A dark hair with soft sides, as one that lies above the plane of focus."""
    weight = np.zeros(picture.shape[:2], np.float32)
    cv2.polylines(weight, [np.int32(np.array(points) * 16)], False, 1.0, wide_px, cv2.LINE_AA, 4)
    weight = 0.75 * cv2.GaussianBlur(weight, (0, 0), 0.8)
    return np.asarray(picture * (1 - weight) + 40 * weight, dtype=np.uint8)


@pytest.mark.parametrize(
    "points",
    [
        [(250, 20), (215, 60), (190, 90), (185, 130), (168, 180)],
        [(30, 60), (80, 88), (110, 68), (160, 108), (230, 84)],
    ],
)
def test_an_array_under_a_hair_is_counted(points):
    picture, polygon = draw(FOUR_BANKS)
    found = measure_array(with_hair(picture, points), polygon)
    check(FOUR_BANKS, found)


@pytest.mark.parametrize("seed", [4, 7])
def test_a_hair_that_runs_along_the_columns_does_not_part_a_bank(seed: int):
    recipe = Recipe(
        7.78, 10.4, -0.3, (14, 14), (10, 10), (13.4,), (13.4,), True, margin_px=1.0, outside="metal", noise=4, seed=seed
    )
    picture, polygon = draw(recipe)
    hair = np.array([(198, -2), (186, 49), (186, 94), (181, 132), (188, 169), (203, 197), (217, 221)])
    found = measure_array(with_hair(picture, hair + polygon.bounds[:2], 5), polygon)
    assert (found.columns, found.rows, len(found.banks), found.mirrored_x) == (28, 20, 4, True)
    assert abs(found.pitch_x_px - 7.78) < 3 * found.pitch_x_px_u
    assert abs(found.pitch_y_px - 10.4) < 3 * found.pitch_y_px_u


def test_a_speck_is_found_though_the_first_lattice_is_a_little_off(monkeypatch: pytest.MonkeyPatch):
    """Two per cent are a pixel and more at five periods: cells then are hardly more alike than dirt is."""
    recipe = Recipe(8.7, 9.4, 0.4, (12, 12), (10, 10), (14.7,), (14.7,), mirrored_x=True, mirrored_y=True, seed=3)
    picture, polygon = draw(recipe)
    grey = grey_of(picture)
    x, y = (int(value) for value in polygon.exterior.coords[0])
    grey[y + 70 : y + 79, x + 5 : x + 13] = 60.0
    off = (np.array([1.02 * 17.4, 0.12]), np.array([-0.13, 1.03 * 18.8]), 0.4)
    # Its phases are not carried on where only a part of the picture shows it.
    monkeypatch.setattr(arrays_start, "_lattices", lambda image, mask: iter([(*off, False)]))
    mask = raster(polygon, grey.shape)
    assert without_dirt(grey, mask, *off[:2]) is None
    cleaned = list(arrays._cleaned(arrays._View(grey, grey, (), mask, polygon)))
    assert [share for _, share in cleaned] == [pytest.approx(72 / mask.sum(), rel=0.5)]


def test_a_hair_is_found_and_the_cells_under_it_are_shown():
    picture, polygon = draw(FOUR_BANKS)
    grey = grey_of(picture)
    dirty = grey_of(with_hair(picture, [(60, 120), (90, 100), (120, 60)]))
    mask = raster(polygon, grey.shape)
    cleaned = without_dirt(dirty, mask, *VECTORS)
    assert cleaned is not None
    seen, share = cleaned
    under = mask & (np.abs(dirty - grey) > 30)
    assert share == pytest.approx(under.sum() / mask.sum(), rel=0.5)
    # Half of what the hair took away is the least that tells; noise has 3 levels.
    left = np.abs(seen - grey)[under]
    assert np.median(left) < 6
    assert np.mean(left > 30) < 0.1


def test_straps_and_the_ends_of_banks_are_no_dirt():
    picture, polygon = draw(FOUR_BANKS)
    grey = grey_of(picture)
    cleaned = without_dirt(grey, raster(polygon, grey.shape), *VECTORS)
    assert cleaned is None or cleaned[1] < 0.002


def test_what_does_not_repeat_is_not_cleaned_into_something_that_does():
    noise = np.random.default_rng(0).normal(100, 10, (120, 150)).astype(np.float32)
    noise[:, :75] += 90 * (np.random.default_rng(1).random((120, 75)) > 0.5)
    cleaned = without_dirt(noise, np.ones(noise.shape, bool), np.array([7.6, 0.0]), np.array([0.0, 9.8]))
    assert cleaned is None or cleaned[1] < 0.01
