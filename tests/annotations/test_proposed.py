"""What the tool proposes is not counted until a person accepts it."""

from __future__ import annotations

from typing import Any

from dieplat.annotations import parse_regions


def block(name: str, **properties: Any) -> dict[str, Any]:
    """A square of 10 px."""
    ring = [[0, 0], [10, 0], [10, 10], [0, 10], [0, 0]]
    geometry = {"type": "Polygon", "coordinates": [ring]}
    return {"type": "Feature", "properties": {"name": name, "kind": "logic", **properties}, "geometry": geometry}


def test_a_proposal_is_kept_apart_from_what_was_drawn() -> None:
    features = [block("drawn"), block("found", proposed=True, confidence=0.8), block("accepted", proposed=False)]
    regions = parse_regions({"type": "FeatureCollection", "features": features})
    assert [region.name for region in regions.regions] == ["drawn", "accepted"]
    assert [region.name for region in regions.proposed] == ["found"]
    assert regions.document["features"] == features


def test_a_proposed_die_does_not_compete_with_the_drawn_one() -> None:
    features = [block("Die", kind="die"), block("found die", kind="die", proposed=True)]
    regions = parse_regions({"type": "FeatureCollection", "features": features})
    assert [region.name for region in regions.of_kind("die")] == ["Die"]
