"""Every export, read again by somebody else's library."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import cv2
import gdstk
import klamath
import numpy as np
import pytest
import tifffile
import zarr
from ome_zarr_models.v05 import Image
from shapely.geometry import LineString, Point, Polygon, box
from typer.testing import CliRunner

from dieplat.annotations import load_regions, parse_regions
from dieplat.annotations.units import MICROMETRES, in_units
from dieplat.exports.gds import LAYERS, write_gds
from dieplat.exports.ngff import write_ngff
from dieplat.exports.svg import overlay_svg
from dieplat.mosaicfile.read import Mosaic, open_mosaic
from dieplat.mosaicfile.write import write_mosaic
from dieplat.report.pdf import find_browser
from dieplat.values import Scale
from dieplat_cli.app import app

RUN = CliRunner()
SCALE = Scale(0.5, 0.0005, 0.25, 0.0005, 10.0, 0.005, 80, 0.0, "test", common_u_rel=0.0005)
SIZE = (1400, 900)


def feature(name: str, kind: str, geometry: Any, **more: Any) -> dict[str, Any]:
    plain = json.loads(json.dumps(geometry.__geo_interface__))
    return {"type": "Feature", "properties": {"name": name, "kind": kind, **more}, "geometry": plain}


HOLED = Polygon(box(100, 100, 500, 400).exterior, [box(200, 200, 300, 300).exterior])
DOCUMENT = {
    "type": "FeatureCollection",
    "coordinates_in": "mosaic_px",
    "made_for": "the album",
    "features": [
        feature("Die", "die", box(10, 10, 1390, 890)),
        feature("Core & co", "logic", HOLED, colour_of_my_own="teal"),
        feature("Wire", "trace", LineString([(600, 100), (600, 500), (800, 500)]), width_um=4.0),
        feature("Scratch", "other", Point(700, 700)),
    ],
}


@pytest.fixture
def regions() -> Any:
    return parse_regions(DOCUMENT, source="test", um_per_px=(0.5, 0.25))


@pytest.fixture(scope="module")
def pixels() -> np.ndarray:
    """Soft blotches, so that the picture is the same at any size."""
    noise = np.random.default_rng(2).normal(0, 1, (900, 1400, 3)).astype(np.float32)
    return np.clip(128 + 900 * cv2.GaussianBlur(noise, (0, 0), 6), 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def mosaic(pixels: np.ndarray, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosaic]:
    path = tmp_path_factory.mktemp("exports") / "mosaic.ome.tif"
    write_mosaic(path, [pixels], width_px=1400, height_px=900, channels=3, dtype="uint8", um_per_px=(0.5, 0.25))
    with open_mosaic(path) as opened:
        yield opened


def test_geojson_in_um_measures_the_same_and_loses_nothing(regions: Any, tmp_path: Path) -> None:
    document = in_units(regions.document, MICROMETRES, (0.5, 0.25))
    assert document["made_for"] == "the album"
    assert document["features"][1]["properties"]["colour_of_my_own"] == "teal"
    assert document["features"][3]["geometry"]["coordinates"] == [350.0, 175.0]
    path = tmp_path / "um.geojson"
    path.write_text(json.dumps(document), encoding="utf-8")
    back = load_regions(path, um_per_px=(0.5, 0.25))
    for one, other in zip(regions.regions, back.regions, strict=True):
        assert one.geometry.equals_exact(other.geometry, 1e-9)


def test_svg_has_its_size_and_a_group_a_kind(regions: Any) -> None:
    root = ElementTree.fromstring(overlay_svg(regions, SCALE, size_px=SIZE))
    space = "{http://www.w3.org/2000/svg}"
    assert root.get("viewBox") == "0 0 700 225"
    assert root.get("width") == "0.7mm"
    groups = {group.get("id"): group for group in root.iter(f"{space}g")}
    assert set(groups) == {"die", "logic", "trace", "other"}
    path = groups["logic"].find(f"{space}path")
    assert path is not None
    assert path.findtext(f"{space}title") == "Core & co"
    assert (path.get("d") or "").count("Z") == 2  # the outline and its hole


@pytest.mark.browser
def test_a_browser_finds_every_shape_where_it_is(regions: Any) -> None:
    playwright = pytest.importorskip("playwright.sync_api")
    chromium = find_browser()
    if chromium is None:
        if os.environ.get("CI"):
            pytest.fail("no Chromium")
        pytest.skip("no Chromium")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(chromium), args=["--no-sandbox", "--disable-gpu"])
        tab = browser.new_page()
        tab.set_content(overlay_svg(regions, SCALE, size_px=SIZE).partition("\n")[2])
        found = tab.evaluate(
            "[...document.querySelectorAll('#logic path, #trace path')].map((p) => p.getTotalLength())"
        )
        hole, inside = tab.evaluate(
            "[[125, 62.5], [60, 30]].map(([x, y]) => document.querySelector('#logic path').isPointInFill("
            "Object.assign(document.querySelector('svg').createSVGPoint(), {x, y})))"
        )
        browser.close()
    # In micrometres: 400 x 300 px and a hole of 100 x 100 at 0.5 by 0.25 um a pixel; then 400 px down, 200 across.
    assert found == pytest.approx([2 * (200 + 75) + 2 * (50 + 25), 100 + 100], rel=1e-3)
    assert (hole, inside) == (False, True)


def test_gdsii_as_another_reader_sees_it(regions: Any, tmp_path: Path) -> None:
    path = tmp_path / "blocks.gds"
    write_gds(path, regions, SCALE, height_px=SIZE[1])
    with path.open("rb") as stream:
        header = klamath.library.FileHeader.read(stream)
        found = dict([klamath.library.try_read_struct(stream)])  # type: ignore[list-item]
    assert header.user_units_per_db_unit == pytest.approx(1e-3)
    assert header.meters_per_db_unit == pytest.approx(1e-9)
    elements = found[b"DIE"]
    bounds = [e for e in elements if isinstance(e, klamath.elements.Boundary) and e.layer[0] == LAYERS["logic"]]
    area = sum(Polygon(e.xy * 1e-3).area for e in bounds)
    assert area == pytest.approx(HOLED.area * 0.5 * 0.25)
    low, high = np.min([e.xy.min(0) for e in bounds], axis=0), np.max([e.xy.max(0) for e in bounds], axis=0)
    # y points up: 100 to 400 px from the top of 900 is 125 to 200 um from the bottom.
    assert [*low, *high] == [50_000, 125_000, 250_000, 200_000]
    (wire,) = (e for e in elements if isinstance(e, klamath.elements.Path))
    assert wire.width == 4000
    texts = {e.string for e in elements if isinstance(e, klamath.elements.Text)}
    assert texts == {b"Die", b"Core & co", b"Wire", b"Scratch"}


def test_the_same_drawing_gives_the_same_gdsii_bytes(regions: Any, tmp_path: Path) -> None:
    for name in ("a.gds", "b.gds"):
        write_gds(tmp_path / name, regions, SCALE, height_px=SIZE[1])
    assert (tmp_path / "a.gds").read_bytes() == (tmp_path / "b.gds").read_bytes()
    assert gdstk.read_gds(tmp_path / "a.gds").top_level()[0].name == "DIE"


def test_ome_zarr_by_the_models_of_the_standard(mosaic: Mosaic, pixels: np.ndarray, tmp_path: Path) -> None:
    """OME-NGFF 0.5, checked by the models that its community keeps (ome-zarr-models), read by zarr."""
    folder = tmp_path / "mosaic.ome.zarr"
    write_ngff(mosaic, folder, SCALE)
    group = zarr.open_group(folder, mode="r")
    image = Image.from_zarr(group)
    (multiscale,) = image.ome_attributes.multiscales
    assert [axis.name for axis in multiscale.axes] == ["c", "y", "x"]
    assert [axis.unit for axis in multiscale.axes] == [None, "micrometer", "micrometer"]
    assert len(multiscale.datasets) == mosaic.levels
    first, second = (dataset.coordinateTransformations for dataset in multiscale.datasets[:2])
    assert list(first[0].scale) == [1.0, 0.25, 0.5]
    assert list(second[0].scale) == [1.0, 0.5, 1.0]
    np.testing.assert_array_equal(np.moveaxis(np.asarray(group["0"]), 0, -1), pixels)
    assert group["1"].shape == (3, 450, 700)


def test_the_annotated_picture_at_another_size(mosaic: Mosaic, tmp_path: Path) -> None:
    drawing = tmp_path / "blocks.geojson"
    drawing.write_text(json.dumps(DOCUMENT), encoding="utf-8")
    small, large = tmp_path / "small.png", tmp_path / "large.tif"
    for path, width in ((small, 700), (large, 2800)):
        done = RUN.invoke(app, ["export", str(mosaic.path), str(drawing), "--out", str(path), "--width-px", str(width)])
        assert done.exit_code == 0, done.exception
    picture = cv2.imread(str(small))
    assert picture.shape[1] == 700
    with tifffile.TiffFile(large) as tiff:
        page = tiff.pages.first
        assert page.shape[1] == 2800
        whole = page.asarray()
    # Drawn in bands of rows: at a border of two bands nothing jumps more than elsewhere.
    steps = np.abs(np.diff(whole[:1800].astype(float), axis=0)).mean(axis=(1, 2))
    assert steps[799] < 2 * np.median(steps[700:900])
    shrunk = cv2.resize(whole[:1800, :, ::-1], (700, 450), interpolation=cv2.INTER_AREA)
    difference = np.abs(shrunk.astype(float) - picture[:450])
    # Where nothing is drawn both show the same; lines and letters have a size of their own.
    assert difference[260:440, 420:690].mean() < 1
    outline = difference[50:200, 48:52].mean()
    assert outline > 10


@pytest.mark.parametrize("name", ["blocks.svg", "blocks.gds", "um.geojson", "mosaic.ome.zarr"])
def test_the_command_writes_each_and_no_stranger_is_written_over(mosaic: Mosaic, tmp_path: Path, name: str) -> None:
    drawing = tmp_path / "blocks.geojson"
    drawing.write_text(json.dumps(DOCUMENT), encoding="utf-8")
    out = tmp_path / name
    arguments = ["export", str(mosaic.path), str(drawing), "--out", str(out)]
    assert RUN.invoke(app, arguments).exit_code == 0
    assert RUN.invoke(app, arguments).exit_code == 0  # our own is replaced
    if out.is_dir():
        (out / "zarr.json").write_text("{}", encoding="utf-8")
    else:
        out.write_text("mine", encoding="utf-8")
    done = RUN.invoke(app, arguments)
    assert done.exit_code != 0
    assert "was not written by dieplat" in str(done.exception)


def test_an_unknown_ending_names_those_there_are(mosaic: Mosaic, tmp_path: Path) -> None:
    done = RUN.invoke(app, ["export", str(mosaic.path), "--out", str(tmp_path / "blocks.dwg")])
    assert ".ome.zarr" in str(done.exception)
