"""A tile cut out of rows as the differences that its compression wants, in one pass over the memory."""

from __future__ import annotations

from typing import Any

import numpy.typing as npt

from dieplat.compiled import compiled

Rows = npt.NDArray[Any]


@compiled
def cut_differences(rows: Rows, left: int, channels: int, out: Rows) -> None:
    """Fill `out` with the tile at column `left`, each sample less that of the pixel before it in its row.

    TIFF 6.0, section 14; differences wrap around. Beyond the rows' right and bottom end their edge goes on.

    Parameters
    ----------
    rows : ndarray of shape (h, W * channels), uint8 or uint16
        At most as many as `out` has.
    left : int
    channels : int
    out : ndarray of shape (n, n * channels)
    """
    count = min(rows.shape[1] - left * channels, out.shape[1])
    for y in range(len(rows)):
        seen, made = rows[y, left * channels :], out[y]
        for j in range(channels):
            made[j] = seen[j]
        later, changed = seen[channels:], made[channels:]
        for j in range(count - channels):
            changed[j] = later[j] - seen[j]
        for j in range(count, out.shape[1]):
            made[j] = 0
    last = out[len(rows) - 1]
    for y in range(len(rows), len(out)):
        made = out[y]
        for j in range(out.shape[1]):
            made[j] = last[j]
