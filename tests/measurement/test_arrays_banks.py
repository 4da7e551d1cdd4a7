"""Where a bank ends, from folded profiles with a known end."""

import numpy as np
import pytest

from dieplat.measurement.arrays_banks import Run, find_extent

CELL = 10
LEVELS = np.array([176.0, 159.0, 152.0, 150.0, 149.0, 152.0, 166.0, 187.0, 202.0, 197.0])
RIM = np.array([158.0, 169.0, 178.0, 193.0, 229.0, 270.0, 293.0])
"""The means of the columns of a cell, and of a strap's rim that goes on from its last one as another cell would."""


def profile_of(along_columns: float, noise: float) -> np.ndarray:
    """Twelve cells from column 0, then a strap; rms of what varies along the cells' columns, and of noise."""
    rng = np.random.default_rng(4)
    pattern = np.outer(np.cos(2 * np.pi * np.arange(8) / 8), np.sqrt(2.0) * np.ones(CELL))
    pattern *= np.sqrt(2.0) * np.cos(2 * np.pi * (np.arange(CELL) + 0.5) / CELL) * along_columns
    cells = np.tile(LEVELS + pattern, 12)
    strap = np.tile(np.concatenate([RIM, np.full(23, 296.0)]), (8, 1))
    picture = np.concatenate([cells, strap], axis=1)
    return (picture + rng.normal(0.0, noise, picture.shape)).astype(np.float32)


@pytest.mark.parametrize("along_columns", [5.0, 7.0, 12.0])
def test_what_varies_along_columns_ends_a_bank_beside_a_rim_like_its_cells(along_columns):
    profile = profile_of(along_columns, 0.4)
    extent = find_extent(profile, np.ones(profile.shape[1], bool), Run(0, 124), [], CELL)
    low, high = extent.stop
    # Columns are whole here, and the edge between two of them may be either side of a column that is like both.
    assert low <= 120.5
    assert high >= 119.5
    assert high - low < 3.0
    assert abs((low + high) / 2 - 120.0) < 1.5


def test_what_drowns_in_noise_along_columns_does_not_decide():
    profile = profile_of(5.0, 4.0)
    rim = find_extent(profile, np.ones(profile.shape[1], bool), Run(0, 124), [], CELL).stop
    level = find_extent(profile_of(0.0, 4.0), np.ones(profile.shape[1], bool), Run(0, 124), [], CELL).stop
    assert rim == pytest.approx(level, abs=1.0)
