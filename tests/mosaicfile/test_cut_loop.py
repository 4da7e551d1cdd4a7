"""The differences of a tile against the same taken by NumPy."""

import numpy as np
import pytest

from dieplat.mosaicfile.cut_loop import cut_differences


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize(("left", "high"), [(0, 16), (16, 16), (32, 16), (32, 5), (0, 1)])
def test_differences_are_numpys_of_the_tile_with_its_edge_repeated(dtype, channels, left, high):
    rng = np.random.default_rng(7)
    rows = rng.integers(0, np.iinfo(dtype).max + 1, (high, 37, channels), dtype=dtype)
    part = rows[:, left : left + 16]
    tile = np.pad(part, ((0, 16 - high), (0, 16 - part.shape[1]), (0, 0)), mode="edge")
    wanted = np.concatenate([tile[:, :1], tile[:, 1:] - tile[:, :-1]], axis=1)

    found = np.full((16, 16 * channels), 99, dtype)
    cut_differences(rows.reshape(high, -1), left, channels, found)

    assert np.array_equal(found, wanted.reshape(16, -1))
