"""`dieplat align` as a person runs it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from test_align_pictures import drawn_die, moved, written
from typer.testing import CliRunner

from dieplat_cli.app import app


def drawing(path: Path, places: dict[str, tuple[float, float]]) -> Path:
    """Marks as GeoJSON."""
    features = [
        {
            "type": "Feature",
            "properties": {"name": name, "kind": "other"},
            "geometry": {"type": "Point", "coordinates": list(place)},
        }
        for name, place in places.items()
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


def test_by_marks_of_the_same_name(tmp_path: Path) -> None:
    die = drawn_die(9)
    other, truth = moved(die, 4.0, 1.0, (5.0, 5.0))
    a, b = written(tmp_path / "a.ome.tif", die), written(tmp_path / "b.ome.tif", other)
    places = {"pad": (300.0, 200.0), "cross": (1200.0, 250.0), "corner": (700.0, 900.0), "only here": (10.0, 10.0)}
    there = {name: tuple(truth @ [x, y, 1.0]) for name, (x, y) in places.items() if name != "only here"}
    marks = [str(drawing(tmp_path / "a.geojson", places)), str(drawing(tmp_path / "b.geojson", there))]
    out = tmp_path / "c.ome.tif"
    done = CliRunner().invoke(app, ["align", str(a), str(b), "--out", str(out), "--marks", *marks, "--json"])
    assert done.exit_code == 0, done.output
    facts = json.loads((tmp_path / "c.alignment.json").read_text())
    assert facts["pairs_used"] == 3
    assert facts["rotation_deg"] == pytest.approx(-4.0, abs=1e-6)
    assert out.exists()


def test_marks_without_a_partner_are_refused(tmp_path: Path) -> None:
    a = written(tmp_path / "a.ome.tif", drawn_die(9)[:300, :300])
    marks = [str(drawing(tmp_path / f"{n}.geojson", {n: (10.0, 10.0)})) for n in "xy"]
    done = CliRunner().invoke(app, ["align", str(a), str(a), "--out", str(tmp_path / "c.ome.tif"), "--marks", *marks])
    assert done.exit_code == 1
    assert "same name" in str(done.exception)
    assert not (tmp_path / "c.ome.tif").exists()
