"""What the tool does not know comes back unchanged."""

import json
from dataclasses import replace

from shapely.geometry import box, mapping

from dieplat.annotations import load_regions, parse_regions, save_regions
from dieplat.annotations.store import to_document
from dieplat.values import Region

DOCUMENT = {
    "type": "FeatureCollection",
    "drawn_by": {"hand": "left"},
    "features": [
        {
            "type": "Feature",
            "id": 17,
            "layer": "metal",
            "properties": {"name": "core", "kind": "logic", "colour": [1, 2, 3], "notes": "old"},
            "geometry": {
                "type": "Polygon",
                "coordinates": [[[10, 10, 0], [60.5, 10, 0], [60.5, 40, 0], [10, 10, 0]]],
                "precision": "half a pixel",
            },
        },
        {
            "type": "Feature",
            "properties": {"name": "wire", "kind": "trace", "velocity_factor": 0.6},
            "geometry": {"type": "LineString", "coordinates": [[0, 0], [5, 5]]},
        },
    ],
}


def test_an_unchanged_file_comes_back_with_nothing_lost(tmp_path):
    source, target = tmp_path / "a.geojson", tmp_path / "b.geojson"
    source.write_text(json.dumps(DOCUMENT))
    save_regions(target, load_regions(source))
    written = json.loads(target.read_text())
    assert written["features"] == DOCUMENT["features"]
    assert written["drawn_by"] == {"hand": "left"}
    assert written["coordinates_in"] == "mosaic_px"
    assert load_regions(target).regions[0].geometry.equals(load_regions(source).regions[0].geometry)


def test_edits_additions_and_removals_leave_the_unknown_alone():
    regions = parse_regions(DOCUMENT)
    core = replace(regions.regions[0], geometry=box(0, 0, 4, 4), notes="new", name="core 2")
    added = Region(name="pad", kind="io_pad", geometry=box(5, 5, 6, 6))
    features = to_document(replace(regions, regions=(core, added)))["features"]
    assert [item["properties"]["name"] for item in features] == ["core 2", "pad"]
    assert features[0]["id"] == 17
    assert features[0]["properties"]["colour"] == [1, 2, 3]
    assert features[0]["properties"]["notes"] == "new"
    assert features[0]["geometry"] == mapping(box(0, 0, 4, 4))
    assert DOCUMENT["features"][0]["properties"]["name"] == "core"  # the input is not touched


def test_a_file_in_micrometres_is_written_in_pixels():
    regions = parse_regions({**DOCUMENT, "coordinates_in": "um"}, um_per_px=0.5)
    written = to_document(regions)
    assert written["coordinates_in"] == "mosaic_px"
    again = parse_regions(json.loads(json.dumps(written)))
    assert again.regions[0].geometry.equals(regions.regions[0].geometry)
    assert written["features"][0]["layer"] == "metal"
