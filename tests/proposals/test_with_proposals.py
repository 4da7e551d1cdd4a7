"""Proposals join annotations without touching what a person drew."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from shapely.geometry import box, mapping, shape

from dieplat.annotations import parse_regions
from dieplat.annotations.store import to_document
from dieplat.errors import AnnotationError
from dieplat.proposals import Proposal, empty_document, with_proposals


def drawn(name: str, kind: str, bounds: tuple[float, float, float, float]) -> dict[str, Any]:
    """A feature as a person's file has it, with a property of their own."""
    return {"type": "Feature", "properties": {"name": name, "kind": kind, "mine": 1}, "geometry": mapping(box(*bounds))}


def plain(document: dict[str, Any]) -> dict[str, Any]:
    """Tuples of coordinates as lists."""
    for feature in document["features"]:
        rings = feature["geometry"]["coordinates"]
        feature["geometry"]["coordinates"] = [[list(point) for point in ring] for ring in rings]
    return document


COIL = Proposal("rf_inductor", box(100, 100, 200, 200), 0.9, "round bands")
MEMORY = Proposal("memory_array", box(300, 100, 400, 200), 0.8, "repeats")


def test_proposals_are_marked_and_never_counted() -> None:
    written = plain(with_proposals(empty_document(), [COIL, MEMORY]))
    regions = parse_regions(written)
    assert regions.regions == ()
    assert [(region.name, region.kind) for region in regions.proposed] == [
        ("Inductor 1 (proposed)", "rf_inductor"),
        ("Memory 1 (proposed)", "memory_array"),
    ]
    assert written["features"][0]["properties"]["confidence"] == 0.9
    assert shape(written["features"][0]["geometry"]).equals(COIL.polygon)


def test_what_is_drawn_stays_as_it_is_and_is_not_proposed_again() -> None:
    document = plain({"type": "FeatureCollection", "by": "me", "features": [drawn("L1", "logic", (90, 90, 190, 190))]})
    before = copy.deepcopy(document)
    written = with_proposals(document, [COIL, MEMORY])
    assert document == before
    assert written["features"][0] == before["features"][0]
    assert written["by"] == "me"
    assert [feature["properties"]["kind"] for feature in written["features"][1:]] == ["memory_array"]


def test_a_small_drawn_block_keeps_a_large_proposal_away() -> None:
    document = plain({"type": "FeatureCollection", "features": [drawn("pad", "io_pad", (310, 110, 320, 120))]})
    assert len(with_proposals(document, [MEMORY])["features"]) == 1


def test_a_second_run_adds_nothing() -> None:
    once = plain(with_proposals(empty_document(), [COIL, MEMORY]))
    assert plain(with_proposals(once, [COIL, MEMORY])) == once


def test_a_die_is_proposed_only_where_none_is_drawn() -> None:
    die = Proposal("die", box(0, 0, 500, 500), 0.9, "outermost edges")
    document = plain({"type": "FeatureCollection", "features": [drawn("Die", "die", (1, 1, 499, 499))]})
    assert len(with_proposals(document, [die])["features"]) == 1
    assert len(with_proposals(empty_document(), [die])["features"]) == 1
    # A die does not keep blocks inside it away.
    assert len(with_proposals(document, [COIL])["features"]) == 2


def test_annotations_in_micrometres_get_proposals_in_micrometres() -> None:
    document = {"type": "FeatureCollection", "coordinates_in": "um", "features": []}
    written = plain(with_proposals(document, [COIL], um_per_px=(0.5, 0.25)))
    assert shape(written["features"][0]["geometry"]).equals(box(50, 25, 100, 50))
    with pytest.raises(AnnotationError, match="no scale is known"):
        with_proposals(document, [COIL])


def test_proposals_survive_saving() -> None:
    document = plain(with_proposals({"type": "FeatureCollection", "features": []}, [COIL]))
    document["features"].append(plain({"features": [drawn("L1", "logic", (0, 0, 9, 9))]})["features"][0])
    names = [feature["properties"]["name"] for feature in to_document(parse_regions(document))["features"]]
    assert names == ["L1", "Inductor 1 (proposed)"]
