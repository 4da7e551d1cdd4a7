"""The sample in the repository is what its recipe makes."""

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from dieplat.files import to_plain
from dieplat.phantom import plan_phantom, render_truth_window, scenario_for
from dieplat.phantom.board import make_board

SAMPLE = Path(__file__).parents[2] / "sample_tiles"


@pytest.fixture(scope="module")
def planned():
    recipe = tomllib.loads((SAMPLE / "RECIPE.toml").read_text())
    return plan_phantom(scenario_for(recipe["preset"]), seed=recipe["seed"], preset=recipe["preset"])


def leaves(value: Any, place: str = "") -> Iterator[tuple[str, Any]]:
    """Everything in a document that is no object or list, by its place."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, f"{place}.{key}")
    elif isinstance(value, list):
        yield f"{place}.length", len(value)
        for number, inner in enumerate(value):
            yield from leaves(inner, f"{place}[{number}]")
    else:
        yield place, value


def test_the_recipe_still_gives_the_truth_on_file(planned):
    on_file = json.loads((SAMPLE / "truth.json").read_text())
    on_file.pop("made_by")
    made = dict(leaves(json.loads(json.dumps(to_plain(planned.to_dict())))))
    kept = dict(leaves(on_file))
    assert made.keys() == kept.keys()
    # Another processor rounds sines otherwise in the last digit.
    assert {
        place: (value, made[place])
        for place, value in kept.items()
        if (made[place] != pytest.approx(value, rel=1e-12) if isinstance(value, float) else made[place] != value)
    } == {}


def test_the_tiles_are_all_there_and_of_one_size(planned):
    assert {p.name for p in (SAMPLE / "tiles").iterdir()} == {tile.name for tile in planned.tiles}
    assert sum(p.stat().st_size for p in (SAMPLE / "tiles").iterdir()) < 15_000_000


def test_a_tile_on_file_shows_the_die_that_the_recipe_draws(planned):
    tile = next(t for t in planned.tiles if (t.row, t.column) == (2, 0))
    seen = cv2.imread(str(SAMPLE / "tiles" / tile.name)).astype(float).mean(axis=2)[300:600, 400:800]
    x0, y0 = round(tile.x_px) + 400, round(tile.y_px) + 300
    ideal = render_truth_window(planned, x0, y0, x0 + 400, y0 + 300).mean(axis=2)
    # Rounding the place to whole pixels, defocus and noise leave a correlation of about 0.99.
    assert np.corrcoef(seen.ravel(), ideal.ravel())[0, 1] > 0.97


def test_the_board_is_what_its_recipe_makes(tmp_path):
    board = SAMPLE / "board"
    made = make_board(tmp_path / "board", seed=tomllib.loads((board / "RECIPE.toml").read_text())["seed"])
    on_file = json.loads((board / "truth.json").read_text())
    assert made["traces"] == on_file["traces"]
    drawn, again = (json.loads((folder / "board.geojson").read_text()) for folder in (board, tmp_path / "board"))
    assert again["features"] == drawn["features"]
    pictures = [cv2.imread(str(folder / "board.jpg")).astype(float) for folder in (board, tmp_path / "board")]
    # OpenCV 4 draws the letters with another font than 5, and codecs round otherwise; the rest is the same.
    coarse = cv2.resize(pictures[0] - pictures[1], None, fx=1 / 32, fy=1 / 32, interpolation=cv2.INTER_AREA)
    assert np.quantile(np.abs(coarse).max(axis=2), 0.95) < 0.5
