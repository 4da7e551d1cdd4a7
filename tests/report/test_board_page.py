"""The page on a photographed board."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import Point
from typer.testing import CliRunner

from dieplat.annotations import load_regions
from dieplat.board.camera import frame_of, to_board, unknowns_of
from dieplat.board.references import is_known
from dieplat.files import sha256_of
from dieplat.phantom.board import make_board
from dieplat.report.board_picture import draw_board
from dieplat.survey.board import measure_board
from dieplat.tiles.read import read_picture
from dieplat.values import Region
from dieplat_cli.app import app

QUESTION = ["--channel", "6", "--velocity-factor", "0.75:0.85", "--shortening-factor", "0.55:0.65"]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, dict]:
    """Folder, page and numbers of an invented board."""
    folder = tmp_path_factory.mktemp("board_page")
    make_board(folder, seed=14)
    out = folder / "board.json"
    arguments = ["board", str(folder / "board.jpg"), str(folder / "board.geojson"), "--out", str(out), *QUESTION]
    done = CliRunner().invoke(app, arguments)
    assert done.exit_code == 0, done.output
    return folder, (folder / "board.html").read_text(encoding="utf-8"), json.loads(out.read_text(encoding="utf-8"))


class Text(HTMLParser):
    """The words of a page, without style."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.alts: list[str] = []
        self._skip = False
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self._skip = tag == "style"
        if tag == "img":
            self.alts.append(dict(attrs)["alt"])

    def handle_endtag(self, tag):
        self._skip = False

    def handle_data(self, data):
        if not self._skip:
            self.words.append(" ".join(data.split()))


def test_length_verdict_budget_and_origin_are_there(made):
    folder, page, numbers = made
    words = " ".join(Text(page).words)
    trace = numbers["traces"][0]
    said = trace["verdict"]
    assert said[0].upper() + said[1:] in words
    assert "2.437 GHz" in words
    assert f"{trace['length_um'] / 1e3:.1f}"[:4] in words
    for line in trace["budget"]:
        assert line["name"] in words
    for name in ("board.jpg", "board.geojson"):
        assert sha256_of(folder / name) in words
    for assumed in numbers["assumptions"]:
        assert assumed[1:] in words
    for known in numbers["camera"]["residuals_px"]:
        assert known in words


def test_the_page_stands_alone(made):
    _, page, _ = made
    assert "<script" not in page
    assert not re.search(r'(?:src|href)="(?!data:|#)', page)
    assert len(page) < 2_000_000
    assert all(Text(page).alts)


def test_it_is_written_again_over_ones_own_but_not_over_a_strangers(made):
    folder, _, _ = made
    (folder / "other.html").write_text("mine", encoding="utf-8")
    photo, drawing = str(folder / "board.jpg"), str(folder / "board.geojson")
    done = CliRunner().invoke(app, ["board", photo, drawing, "--out", str(folder / "other.json")])
    assert done.exit_code == 1
    assert (folder / "other.html").read_text(encoding="utf-8") == "mine"
    assert not (folder / "other.json").exists()
    assert CliRunner().invoke(app, ["board", photo, drawing, "--out", str(folder / "board.json")]).exit_code == 0


def test_a_folder_that_is_not_there_is_named(made):
    folder, _, _ = made
    out = folder / "nowhere" / "board.json"
    done = CliRunner().invoke(
        app, ["board", str(folder / "board.jpg"), str(folder / "board.geojson"), "--out", str(out)]
    )
    assert done.exit_code == 1
    assert f"{out.parent}: no such folder" in str(done.exception)


def test_a_factor_that_is_a_range_keeps_it(made):
    """0.75 to 0.85, all as likely: 0.80 with u = 0.05/sqrt(3) (JCGM 100:2008, 4.3.7), twice that stated."""
    words = [word for word in Text(made[1]).words if word]
    assert words[words.index("Velocity factor") + 1] == "0.800 ± 0.058"


def test_what_is_known_is_drawn(made):
    """A rectangle's four sides, a ruler's line and rings around marks, and nothing within them."""
    folder, _, _ = made
    photo, drawing = read_picture(folder / "board.jpg"), load_regions(folder / "board.geojson")
    found, regions = measure_board(drawing, photo), drawing.regions
    bare = draw_board(photo, [region for region in regions if not is_known(region)], found, width_px=900)
    mark = Region("Mark", "other", Point(photo.shape[1] * 0.5, photo.shape[0] * 0.52), properties={"at_um": [0.0, 0.0]})
    drawn = draw_board(photo, [*regions, mark], found, width_px=900)
    changed = np.any(drawn != bare, axis=2)
    unknowns, frame = unknowns_of(found.camera), frame_of((photo.shape[1], photo.shape[0]))
    rim = np.array([[0, 0], [photo.shape[1], 0], [photo.shape[1], photo.shape[0]], [0, photo.shape[0]]], float)
    board = to_board(unknowns, rim, frame)
    low, um_per_px = board.min(axis=0), float(np.ptp(board[:, 0])) / 900

    def near(points_px):
        x, y = ((to_board(unknowns, np.asarray(points_px, float), frame) - low) / um_per_px).mean(axis=0).astype(int)
        return changed[y - 4 : y + 5, x - 4 : x + 5]

    holes = next(region for region in regions if "sides_um" in region.properties)
    corners = np.asarray(holes.geometry.exterior.coords)[:, :2]
    for side in range(4):
        assert near(corners[side : side + 2]).any()
    ruler = next(region for region in regions if "every_um" in region.properties)
    assert near(np.asarray(ruler.geometry.coords)[:2, :2]).any()
    ring = near([mark.geometry.coords[0]])
    assert not ring[4, 4]
    # What no line crosses is as it was.
    assert changed.mean() < 0.03
    x, y = ((to_board(unknowns, np.array([mark.geometry.coords[0]]), frame) - low) / um_per_px)[0].astype(int)
    assert changed[y - 12 : y + 13, x - 12 : x + 13].any()
