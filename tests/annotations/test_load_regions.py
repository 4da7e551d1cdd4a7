"""GeoJSON in: what is read, and every way in which a file can be wrong."""

import json
import math
from pathlib import Path

import pytest

from dieplat.annotations import check_inside, load_regions, parse_regions
from dieplat.errors import AnnotationError

SQUARE = [[[10, 10], [60, 10], [60, 40], [10, 40], [10, 10]]]
HOLE = [[20, 20], [30, 20], [30, 30], [20, 30], [20, 20]]


def feature(name="core", kind="logic", type_="Polygon", coordinates=SQUARE, **properties):
    return {
        "type": "Feature",
        "properties": {"name": name, "kind": kind, **properties},
        "geometry": {"type": type_, "coordinates": coordinates},
    }


def collection(*features, **members):
    return {"type": "FeatureCollection", **members, "features": list(features)}


def write(folder: Path, document) -> Path:
    path = folder / "blocks.geojson"
    path.write_text(document if isinstance(document, str) else json.dumps(document), encoding="utf-8")
    return path


def test_polygon_with_hole_multipolygon_path_and_mark_are_read(tmp_path):
    path = write(
        tmp_path,
        collection(
            feature("core", coordinates=[*SQUARE, HOLE], notes="as seen"),
            feature("banks", "memory_array", "MultiPolygon", [SQUARE, [[[70, 10], [80, 10], [80, 20], [70, 10]]]]),
            feature("coil line", "conductor", "LineString", [[0, 0], [3, 4]], width_um=6),
            feature("mark", "other", "Point", [5, 6]),
        ),
    )
    regions = load_regions(path)
    core, banks, line, mark = regions.regions
    assert core.geometry.area == 50 * 30 - 100
    assert core.notes == "as seen"
    assert banks.geometry.area == 1500 + 50
    assert (line.geometry.length, line.width_um) == (5.0, 6.0)
    assert (mark.geometry.x, mark.geometry.y) == (5, 6)
    assert [region.name for region in regions.of_kind("logic", "other")] == ["core", "mark"]
    assert regions.source == str(path)


def test_rfc_7946_example_polygon_with_hole_is_read():
    # RFC 7946, appendix A.3, "With holes"; coordinates there are degrees, here they stand for pixels.
    rings = [
        [[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]],
        [[100.8, 0.8], [100.8, 0.2], [100.2, 0.2], [100.2, 0.8], [100.8, 0.8]],
    ]
    region = parse_regions(collection(feature(coordinates=rings))).regions[0]
    assert region.geometry.area == pytest.approx(1 - 0.36, rel=1e-12)


def test_micrometres_become_pixels_along_each_axis():
    document = collection(feature(), coordinates_in="um")
    region = parse_regions(document, um_per_px=(0.5, 0.25)).regions[0]
    assert region.geometry.bounds == (20, 40, 120, 160)


def test_a_byte_order_mark_and_a_third_ordinate_do_no_harm(tmp_path):
    path = tmp_path / "b.geojson"
    rings = [[[x, y, 0] for x, y in SQUARE[0]]]
    path.write_bytes(b"\xef\xbb\xbf" + json.dumps(collection(feature(coordinates=rings))).encode())
    assert load_regions(path).regions[0].geometry.area == 1500


def test_an_empty_collection_is_legal():
    assert parse_regions(collection()).regions == ()


BOWTIE = [[[0, 0], [10, 10], [10, 0], [0, 10], [0, 0]]]
BAD_FEATURES = {
    "unknown kind": (feature(kind="spaceship"), "unknown kind 'spaceship'"),
    "kind is not text": (feature(kind=["logic"]), "unknown kind"),
    "no kind": (feature(kind=None), "no kind"),
    "no name": (feature(name=None), "feature 1 has no name"),
    "blank name": (feature(name="  "), "has no name"),
    "number as name": (feature(name=5), "has no name"),
    "control characters": (feature(name="a\x1b[31mb"), "control characters"),
    "crossing": (feature(coordinates=BOWTIE), r"crosses itself near \(5\.0, 5\.0\)"),
    "hole outside": (
        feature(coordinates=[*SQUARE, [[90, 90], [95, 90], [95, 95], [90, 90]]]),
        "hole lies outside shell",
    ),
    "overlapping parts": (feature(type_="MultiPolygon", coordinates=[SQUARE, SQUARE]), "'core'"),
    "not closed": (feature(coordinates=[[[0, 0], [9, 0], [9, 9], [0, 9]]]), "not closed"),
    "two points": (feature(coordinates=[[[0, 0], [9, 0], [0, 0]]]), "at least three"),
    "no area": (feature(coordinates=[[[0, 0], [5, 5], [9, 9], [0, 0]]]), "no area"),
    "all one point": (feature(coordinates=[[[1, 1]] * 4]), "at least three"),
    "empty polygon": (feature(coordinates=[]), "no rings"),
    "empty multipolygon": (feature(type_="MultiPolygon", coordinates=[]), "empty"),
    "infinite": (feature(coordinates=[[[0, 0], [math.inf, 0], [9, 9], [0, 0]]]), "not finite"),
    "not a number": (feature(coordinates=[[[0, 0], [math.nan, 0], [9, 9], [0, 0]]]), "not finite"),
    "far away": (feature(coordinates=[[[0, 0], [1e300, 0], [9, 9], [0, 0]]]), "outside any mosaic"),
    "giant integer": (feature(coordinates=[[[0, 0], [10**400, 0], [9, 9], [0, 0]]]), "not finite"),
    "text as coordinate": (feature(coordinates=[[[0, 0], ["9", 0], [9, 9], [0, 0]]]), "must be a number"),
    "true as coordinate": (feature(coordinates=[[[0, 0], [True, 0], [9, 9], [0, 0]]]), "must be a number"),
    "one ordinate": (feature(coordinates=[[[0], [9, 0], [9, 9], [0]]]), r"must be \[x, y\]"),
    "rings missing": (feature(coordinates=[1, 2]), "not a list"),
    "path for an area": (feature(type_="LineString", coordinates=[[0, 0], [9, 9]]), "needs a Polygon"),
    "point for an area": (feature(type_="Point", coordinates=[1, 2]), "needs a Polygon"),
    "area for a trace": (feature(kind="trace"), "needs a LineString"),
    "area for a conductor": (feature(kind="conductor"), "needs a LineString"),
    "path of one point": (feature(kind="trace", type_="LineString", coordinates=[[0, 0]]), "two points"),
    "path without length": (
        feature(kind="trace", type_="LineString", coordinates=[[1, 1], [1, 1]]),
        "no length",
    ),
    "other type": (feature(type_="MultiPoint", coordinates=[[1, 1]]), "'MultiPoint' is not handled"),
    "no geometry": (
        {"type": "Feature", "properties": {"name": "a", "kind": "logic"}, "geometry": None},
        "no geometry",
    ),
    "no properties": ({"type": "Feature", "properties": None, "geometry": None}, "no properties"),
    "not a feature": ({"type": "Polygon"}, "feature 1 is not a GeoJSON Feature"),
    "negative width": (
        feature(kind="trace", type_="LineString", coordinates=[[0, 0], [9, 9]], width_um=-1),
        "width_um is -1",
    ),
    "text as width": (feature(width_um="6 um"), "width_um must be a number"),
    "die in two parts": (
        feature(kind="die", type_="MultiPolygon", coordinates=[SQUARE, [[[70, 1], [80, 1], [80, 9], [70, 1]]]]),
        "die has 2 parts",
    ),
}


@pytest.mark.parametrize("case", BAD_FEATURES)
def test_a_bad_feature_is_refused_in_one_line_that_names_file_and_feature(case, tmp_path):
    bad, message = BAD_FEATURES[case]
    path = write(tmp_path, collection(bad))
    with pytest.raises(AnnotationError, match=message) as caught:
        load_regions(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: feature 1")
    assert "\n" not in text
    assert "\x1b" not in text


BAD_FILES = {
    "not json": ("{", "not JSON"),
    "empty": ("", "not JSON"),
    "a list": ("[]", "not a GeoJSON FeatureCollection"),
    "a bare geometry": ('{"type": "Polygon", "coordinates": []}', "not a GeoJSON FeatureCollection"),
    "no features": ('{"type": "FeatureCollection"}', 'no list of "features"'),
    "two dies": (collection(feature("a", "die"), feature("b", "die")), "2 features have the kind 'die'"),
    "other unit": (collection(coordinates_in="mm"), "\"coordinates_in\" is 'mm'"),
    "um without a scale": (collection(coordinates_in="um"), "--scale"),
    "nested": ("[" * 100_000, "nested too deeply"),
    "nested in a property": (
        json.dumps(collection(feature(extra="HERE"))).replace('"HERE"', "[" * 200 + "]" * 200),
        "nested too deeply",
    ),
    "long number": (json.dumps(collection()).replace("[]", f"[{'9' * 5000}]"), "number too long"),
    "half a surrogate pair": (json.dumps(collection(feature(extra="\ud800"))), "half a character"),
}


@pytest.mark.parametrize("case", BAD_FILES)
def test_a_bad_file_is_refused_in_one_line_that_names_it(case, tmp_path):
    document, message = BAD_FILES[case]
    path = write(tmp_path, document)
    with pytest.raises(AnnotationError, match=message) as caught:
        load_regions(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


def test_bytes_that_are_not_utf8_a_huge_file_and_a_missing_one_are_refused(tmp_path):
    path = tmp_path / "b.geojson"
    path.write_bytes(json.dumps(collection(feature("caf\u00e9")), ensure_ascii=False).encode("latin-1"))
    with pytest.raises(AnnotationError, match="not UTF-8"):
        load_regions(path)
    with path.open("wb") as handle:
        handle.truncate(65 * 2**20)
    with pytest.raises(AnnotationError, match="65 MiB"):
        load_regions(path)
    with pytest.raises(AnnotationError, match="cannot be read"):
        load_regions(tmp_path / "none.geojson")


@pytest.mark.parametrize("scale", [0.0, -1.0, math.nan, (1.0, math.inf)])
def test_an_unusable_scale_is_refused_for_micrometres(scale):
    with pytest.raises(AnnotationError, match="um/px"):
        parse_regions(collection(feature(), coordinates_in="um"), um_per_px=scale)


def test_a_region_outside_the_mosaic_is_named():
    regions = parse_regions(collection(feature("inner"), feature("outer", coordinates=SQUARE)))
    check_inside(regions, 60, 40)
    check_inside(regions, 59, 39)  # a vertex on the far side of the last pixel is forgiven
    with pytest.raises(AnnotationError, match=r"'inner' reaches 10\.0 px outside the mosaic \(50 x 40 px\)"):
        check_inside(regions, 50, 40)
    shifted = [[[x - 30, y] for x, y in SQUARE[0]]]
    with pytest.raises(AnnotationError, match=r"reaches 20\.0 px outside"):
        check_inside(parse_regions(collection(feature(coordinates=shifted))), 500, 500)
