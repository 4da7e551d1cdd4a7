"""Shading and exposure out of overlaps: known ones put in, the same ones recovered."""

from __future__ import annotations

import numpy as np

from dieplat.correction import estimate_correction
from dieplat.values.layout import Layout, PairLink, PlacedTile


def test_vignetting_and_exposure_come_back() -> None:
    rng = np.random.default_rng(4)
    rows, columns, h, w, step_x, step_y = 3, 4, 72, 96, 76, 57
    die = rng.uniform(60, 180, ((rows - 1) * step_y + h, (columns - 1) * step_x + w)).astype(np.float32)
    y, x = np.mgrid[0:h, 0:w]
    r2 = ((x + 0.5 - w / 2) ** 2 + (y + 0.5 - h / 2) ** 2) / ((w / 2) ** 2 + (h / 2) ** 2)
    shade = 1 - 0.25 * r2
    exposure = 1 + rng.normal(0, 0.08, rows * columns)
    exposure /= np.exp(np.log(exposure).mean())
    tiles, colours, names = [], [], []
    for index in range(rows * columns):
        row, column = divmod(index, columns)
        place = column * step_x, row * step_y
        seen = die[place[1] : place[1] + h, place[0] : place[0] + w] * shade * exposure[index]
        colours.append((seen + rng.normal(0, 0.3, seen.shape))[..., None].astype(np.float32))
        names.append(f"r{row}_c{column}")
        tiles.append(PlacedTile(names[-1], float(place[0]), float(place[1]), 0.0, 0.0, "overlap"))
    pairs = tuple(
        PairLink(names[i], names[j], 0.0, 0.0, 0.0, True)
        for i in range(len(names))
        for j in range(i + 1, len(names))
        if j - i == columns or (j - i == 1 and j % columns)
    )
    layout = Layout(die.shape[1], die.shape[0], w, h, tuple(tiles), pairs, (), 0.0)
    correction = estimate_correction(colours, layout, names)
    wanted = shade / shade.mean()
    ratio = correction.flat[..., 0] / wanted
    # A tilt of the shading and a trend of the exposures from tile to tile look the same in every overlap; exposures
    # that scatter by 8 % leave it open to 0.08 / sqrt(12 x 1.25) = 2 % a tile. What has no such twin must be right:
    # 0.3 % is less than a level of 255.
    plane = np.stack([np.ones(ratio.size), x.ravel(), y.ravel()], axis=1)
    tilt = (plane @ np.linalg.lstsq(plane, ratio.ravel(), rcond=None)[0]).reshape(ratio.shape)
    assert np.abs(tilt - 1).max() < 0.04
    assert np.abs(ratio - tilt).max() < 0.003
    # And every place of the die must come out alike in all the tiles that show it.
    corrected = [c[..., 0] / correction.flat[..., 0] * g for c, g in zip(colours, correction.gains[:, 0], strict=True)]
    overlap = corrected[0][:, step_x:] / corrected[1][:, : w - step_x]
    assert np.abs(np.median(overlap) - 1) < 0.005
