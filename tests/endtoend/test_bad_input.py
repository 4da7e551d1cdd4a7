"""Every input that cannot be used ends in one line on stderr that names it, status 1, and no file touched."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

SQUARE = [[10.0, 10.0], [60.0, 10.0], [60.0, 60.0], [10.0, 60.0], [10.0, 10.0]]
BOW_TIE = [[10.0, 10.0], [60.0, 60.0], [60.0, 10.0], [10.0, 60.0], [10.0, 10.0]]
SCALE: dict[str, Any] = {
    "um_per_px_x": 0.5,
    "um_per_px_x_u": 0.0005,
    "um_per_px_y": 0.5,
    "um_per_px_y_u": 0.0005,
    "pitch_um": 10.0,
    "pitch_um_u": 0.0,
    "lines_used": 40,
    "rotation_deg": 0.1,
    "source": "ruler.png",
}


def snapshot(folder: Path) -> dict[str, bytes | None]:
    """Every file of a folder with its bytes, every folder with None."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


@pytest.fixture
def refused(run: Callable[..., Any], tmp_path: Path) -> Callable[..., str]:
    """Run a command that must be refused; gives its one line after checking that nothing was touched."""

    def refused(*arguments: object, names: object) -> str:
        before = snapshot(tmp_path)
        done = run(*arguments)
        assert done.status == 1, done
        assert done.out == ""
        assert done.err.startswith("dieplat: ")
        assert done.err.count("\n") == 1
        assert done.err.endswith("\n")
        assert str(names) in done.err
        assert snapshot(tmp_path) == before
        return str(done.err)

    return refused


def annotations(*rings: list[list[float]]) -> dict[str, Any]:
    """A FeatureCollection with a block for each ring."""
    features = [
        {
            "type": "Feature",
            "properties": {"name": f"block {number}", "kind": "logic"},
            "geometry": {"type": "Polygon", "coordinates": [ring]},
        }
        for number, ring in enumerate(rings, 1)
    ]
    return {"type": "FeatureCollection", "features": features}


@pytest.fixture
def tiles(tmp_path: Path) -> Path:
    """An empty folder for tiles."""
    folder = tmp_path / "tiles"
    folder.mkdir()
    return folder


@pytest.fixture
def measurable(tmp_path: Path) -> tuple[Path, Path, Path]:
    """A mosaic, good annotations and a good scale."""
    mosaic, blocks, scale = (tmp_path / name for name in ("die.png", "blocks.geojson", "scale.json"))
    cv2.imwrite(str(mosaic), np.full((80, 100), 90, np.uint8))
    blocks.write_text(json.dumps(annotations(SQUARE)), encoding="utf-8")
    scale.write_text(json.dumps(SCALE), encoding="utf-8")
    return mosaic, blocks, scale


def cut_short(path: Path) -> None:
    """Leave the first half of a file."""
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


# Tiles


def test_an_empty_folder(refused, tiles):
    refused("stitch", tiles, "--out", tiles.parent / "m.ome.tif", names=tiles)
    refused("survey", tiles, "--out", tiles.parent / "out", names=tiles)


def test_no_such_folder(refused, tmp_path):
    missing = tmp_path / "none"
    refused("stitch", missing, "--out", tmp_path / "m.ome.tif", names=missing)
    refused("survey", missing, "--out", tmp_path / "out", names=missing)


def test_a_text_file_named_as_a_picture_alone(refused, tiles):
    (tiles / "notes.jpg").write_text("to do: photograph the chip\n", encoding="utf-8")
    line = refused("stitch", tiles, "--out", tiles.parent / "m.ome.tif", names=tiles)
    assert "notes.jpg" in line
    assert "not a picture" in line


def test_a_truncated_jpeg_alone(refused, evening, tiles):
    shutil.copy(evening / "tiles" / "r00_c00.jpg", tiles)
    cut_short(tiles / "r00_c00.jpg")
    line = refused("stitch", tiles, "--out", tiles.parent / "m.ome.tif", names=tiles)
    assert "r00_c00.jpg" in line
    assert "cut short" in line


def test_an_earlier_mosaic_outlives_a_run_that_is_refused(refused, tiles):
    mosaic = tiles.parent / "mosaic.ome.tif"
    mosaic.write_bytes(b"made by dieplat, once")
    (tiles / "notes.jpg").write_text("no picture", encoding="utf-8")
    refused("stitch", tiles, "--out", mosaic, names=tiles)


def test_a_strangers_file_is_not_written_over(refused, evening, tmp_path):
    mosaic = tmp_path / "mosaic.tif"
    mosaic.write_bytes(b"someone else's")
    refused("stitch", evening / "tiles", "--out", mosaic, names=mosaic)


def text_instead(path: Path, good: np.ndarray) -> None:
    path.write_text("no picture\n", encoding="utf-8")


def truncated(path: Path, good: np.ndarray) -> None:
    cv2.imwrite(str(path), good)
    cut_short(path)


def other_size(path: Path, good: np.ndarray) -> None:
    cv2.imwrite(str(path), good[:-40, :-30])


def grey(path: Path, good: np.ndarray) -> None:
    cv2.imwrite(str(path), cv2.cvtColor(good, cv2.COLOR_BGR2GRAY))


def test_bad_tiles_among_good_ones_are_left_out_and_listed(run, evening, tmp_path):
    tiles = shutil.copytree(evening / "tiles", tmp_path / "tiles")
    good = cv2.imread(str(tiles / "r00_c00.jpg"))
    expected = {}
    kinds = (
        (text_instead, "picture"),
        (truncated, "cut short"),
        (other_size, "530 x 440 px"),
        (grey, "grey"),
    )
    for number, (spoil, word) in enumerate(kinds):
        name = f"r02_c{number:02d}.jpg"
        spoil(tiles / name, good)
        expected[name] = word
    done = run("stitch", tiles, "--out", tmp_path / "mosaic.ome.tif", "--json")
    assert done.status == 0, done.err
    layout = json.loads((tmp_path / "layout.json").read_text(encoding="utf-8"))
    said = json.loads(done.out)
    assert said["skipped"] == layout["skipped"]
    reasons = {one["name"]: one["reason"] for one in layout["skipped"]}
    assert set(reasons) == set(expected)
    for name, word in expected.items():
        assert word in reasons[name]
    assert {tile["name"] for tile in layout["tiles"]} == {f"r{r:02d}_c{c:02d}.jpg" for r in (0, 1) for c in (0, 1)}


def test_a_survey_goes_on_without_a_damaged_tile_and_says_so(run, spoiled, tmp_path):
    good = cv2.imread(str(spoiled / "tiles" / "r00_c00.jpg"))
    truncated(spoiled / "tiles" / "r02_c00.jpg", good)
    done = run("survey", spoiled, "--out", tmp_path / "out")
    assert done.status == 0, done.err
    layout = json.loads((tmp_path / "out" / "layout.json").read_text(encoding="utf-8"))
    assert [one["name"] for one in layout["skipped"]] == ["r02_c00.jpg"]
    assert len(layout["tiles"]) == 4
    assert "r02_c00.jpg" in done.out
    assert "r02_c00.jpg" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


# Annotations


def outside() -> str:
    return json.dumps(annotations([[x + 70.0, y] for x, y in SQUARE]))


def crossing() -> str:
    return json.dumps(annotations(SQUARE, BOW_TIE))


def not_a_number() -> str:
    return json.dumps(annotations([[float("nan"), 10.0], *SQUARE[1:-1], [float("nan"), 10.0]]))


def not_json() -> str:
    return '{"type": "FeatureCollection", "features": ['


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (outside, "'block 1' reaches 30.0 px outside"),
        (crossing, "crosses itself near (35.0, 35.0)"),
        (not_a_number, "NaN"),
        (not_json, "JSON"),
    ],
)
def test_annotations_that_cannot_be_used(refused, measurable, text, word):
    mosaic, blocks, scale = measurable
    blocks.write_text(text(), encoding="utf-8")
    earlier = mosaic.with_name("m.json")
    earlier.write_text('{"made_by": "dieplat, an earlier run"}', encoding="utf-8")
    line = refused("measure", mosaic, blocks, "--scale", scale, "--out", earlier, names=blocks)
    assert word in line


@pytest.mark.parametrize(("text", "word"), [(crossing, "crosses itself"), (not_a_number, "NaN")])
def test_a_survey_reads_the_annotations_before_it_writes(refused, spoiled, tmp_path, text, word):
    (spoiled / "blocks.geojson").write_text(text(), encoding="utf-8")
    line = refused("survey", spoiled, "--out", tmp_path / "out", names=spoiled / "blocks.geojson")
    assert word in line


def test_a_survey_finds_a_block_outside_the_mosaic_before_it_measures(run, spoiled, tmp_path):
    far = annotations([[x + 5000.0, y] for x, y in SQUARE])
    (spoiled / "blocks.geojson").write_text(json.dumps(far), encoding="utf-8")
    out = tmp_path / "out"
    done = run("survey", spoiled, "--out", out)
    assert (done.status, done.out, done.err.count("\n")) == (1, "", 1)
    assert done.err.startswith(f"dieplat: {spoiled / 'blocks.geojson'}: 'block 1' reaches ")
    # How large the mosaic is shows only when it is made; it is right, and a second run goes on from it.
    kept = {"mosaic.ome.tif", "layout.json", "survey_state.json", "stitch_cache.sqlite"}
    assert {path.name for path in out.iterdir()} == kept


# Scale and micrometer


@pytest.mark.parametrize("key", ["um_per_px_x", "um_per_px_y", "pitch_um"])
@pytest.mark.parametrize("value", [0, -0.5, "half", float("nan"), None])
def test_a_scale_that_cannot_be(refused, measurable, key, value):
    mosaic, blocks, scale = measurable
    scale.write_text(json.dumps({**SCALE, key: value}), encoding="utf-8")
    out = mosaic.with_name("m.json")
    assert key in refused("measure", mosaic, blocks, "--scale", scale, "--out", out, names=scale)


def test_a_scale_that_cannot_be_is_known_before_the_stitching(refused, evening, measurable):
    scale = measurable[2]
    scale.write_text(json.dumps({**SCALE, "um_per_px_x": -0.5}), encoding="utf-8")
    out = scale.with_name("m.ome.tif")
    refused("stitch", evening / "tiles", "--out", out, "--scale", scale, names=scale)


def no_rulings() -> np.ndarray:
    """A picture with grain but no lines."""
    grain = np.random.default_rng(4).normal(0.0, 12.0, (300, 400))
    return np.clip(cv2.GaussianBlur(grain, (0, 0), 3.0) * 4 + 120, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("picture", [no_rulings(), np.full((300, 400), 128, np.uint8)], ids=["grain", "even"])
def test_a_micrometer_picture_without_a_ruling(refused, spoiled, tmp_path, picture):
    path = spoiled / "micrometer.png"
    cv2.imwrite(str(path), picture)
    refused("calibrate", path, "--pitch-um", 10, "--out", tmp_path / "scale.json", names=path)
    refused("survey", spoiled, "--out", tmp_path / "out", names=path)


def test_a_second_micrometer_picture_without_a_ruling_is_the_one_named(refused, spoiled, tmp_path):
    first, second = spoiled / "micrometer.png", spoiled / "second.png"
    cv2.imwrite(str(second), no_rulings())
    arguments = ("calibrate", first, second, "--pitch-um", 10, "--out", tmp_path / "scale.json")
    refused(*arguments, names=second)


@pytest.mark.parametrize("pitch", ["0", "-10", "nan", "inf"])
def test_a_pitch_that_cannot_be(refused, spoiled, tmp_path, pitch):
    path = spoiled / "micrometer.png"
    refused("calibrate", path, "--pitch-um", pitch, "--out", tmp_path / "scale.json", names="pitch")
    refused("survey", spoiled, "--pitch-um", pitch, "--out", tmp_path / "out", names="pitch")


# Wrong usage, and the same from outside


@pytest.mark.parametrize(
    "arguments",
    [
        ("survey",),
        ("survey", "a"),
        ("stitch", "tiles"),
        ("stitch", "tiles", "--out", "m.tif", "--workers", "0"),
        ("stitch", "tiles", "--out", "m.tif", "--columns", "six"),
        ("calibrate", "a.png", "--out", "scale.json"),
        ("measure", "a.tif"),
        ("measure", "a.tif", "b.geojson", "--out", "m.json", "--unknown"),
        ("inductance", "--shape", "triangle", "--turns", "3"),
        ("phantom", "out"),
        ("no-such-command",),
    ],
)
def test_wrong_usage_is_status_2(run, tmp_path, monkeypatch, arguments):
    monkeypatch.chdir(tmp_path)
    done = run(*arguments)
    assert done.status == 2
    assert done.out == ""
    assert done.err
    assert not list(tmp_path.iterdir())


def test_no_traceback_reaches_a_terminal(run_apart, measurable):
    mosaic, blocks, _ = measurable
    blocks.write_text(crossing(), encoding="utf-8")
    done = run_apart("measure", mosaic, blocks, "--out", mosaic.with_name("m.json"))
    assert (done.status, done.out, done.err.count("\n")) == (1, "", 1)
    assert done.err.startswith("dieplat: ")
    assert run_apart("measure").status == 2
