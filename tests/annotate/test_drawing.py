"""The drawing on disk: whole, with the one before, never over a newer one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from page_server import SCALE, document, feature, square

from dieplat.annotate.drawing import EMPTY_VERSION, DrawingFile, in_pixels
from dieplat.errors import AnnotationError, DrawingConflictError

FIRST = document(feature("Core", "logic", square(0, 0, 10), mine=[1, {"deep": None}]))
SECOND = document(feature("Core", "logic", square(0, 0, 12), mine=[1, {"deep": None}]))


def test_a_new_drawing_is_begun_saved_and_read_again(tmp_path: Path) -> None:
    file = DrawingFile(tmp_path / "blocks.geojson")
    begun = file.read()
    assert (begun.version, begun.document["features"]) == (EMPTY_VERSION, [])
    version = file.save(FIRST, seen=EMPTY_VERSION)
    again = file.read()
    assert (again.version, again.document) == (version, FIRST)


def test_the_one_before_is_kept(tmp_path: Path) -> None:
    file = DrawingFile(tmp_path / "blocks.geojson")
    version = file.save(FIRST, seen=EMPTY_VERSION)
    file.save(SECOND, seen=version)
    assert json.loads(file.previous_path.read_text()) == FIRST
    assert json.loads(file.path.read_text()) == SECOND


def test_two_pages_do_not_overwrite_each_other(tmp_path: Path) -> None:
    file = DrawingFile(tmp_path / "blocks.geojson")
    version = file.save(FIRST, seen=EMPTY_VERSION)
    file.save(SECOND, seen=version)
    with pytest.raises(DrawingConflictError, match="changed elsewhere"):
        file.save(FIRST, seen=version)
    assert json.loads(file.path.read_text()) == SECOND


def test_a_change_by_another_program_is_seen(tmp_path: Path) -> None:
    file = DrawingFile(tmp_path / "blocks.geojson")
    version = file.save(FIRST, seen=EMPTY_VERSION)
    file.path.write_text(json.dumps(SECOND))
    with pytest.raises(DrawingConflictError):
        file.save(FIRST, seen=version)


def test_nonsense_is_not_saved(tmp_path: Path) -> None:
    file = DrawingFile(tmp_path / "blocks.geojson")
    version = file.save(FIRST, seen=EMPTY_VERSION)
    bow_tie = {"type": "Polygon", "coordinates": [[[0, 0], [9, 9], [9, 0], [0, 9], [0, 0]]]}
    with pytest.raises(AnnotationError):
        file.save(document(feature("Bow", "logic", bow_tie)), seen=version)
    assert json.loads(file.path.read_text()) == FIRST


def test_micrometres_become_pixels_for_the_page() -> None:
    drawn = {**FIRST, "coordinates_in": "um", "other": 5}
    shown = in_pixels(drawn, SCALE, source="b.geojson")
    assert shown["features"][0]["geometry"]["coordinates"][0][1] == [20.0, 0.0]
    assert (shown["coordinates_in"], shown["other"]) == ("mosaic_px", 5)
    with pytest.raises(AnnotationError, match=r"b\.geojson: .*--scale"):
        in_pixels(drawn, None, source="b.geojson")
