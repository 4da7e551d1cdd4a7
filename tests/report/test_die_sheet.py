"""The die's facts and folded budgets in words."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from dieplat.report import write_report
from dieplat.report.die_sheet import MOST_BUDGETS, block_budgets, die_facts
from dieplat.report.folder import read_outputs

LINES = [
    {"name": "scale", "u": 60.0, "unit": "um2", "kind": "B", "note": "one value for both axes"},
    {"name": "vertices", "u": 80.0, "unit": "um2", "kind": "B", "note": "largest: 64 % of the variance"},
]
DIE = {
    "name": "Die (found)",
    "found": True,
    "rotation_deg": 0.412,
    "rotation_deg_u": 0.011,
    "pads": 12,
    "pad_rows": [
        {"side": "top", "count": 9, "pitch_um": 90.0, "pitch_um_u": 0.05, "even": True},
        {"side": "left", "count": 2, "pitch_um": 120.0, "pitch_um_u": 0.2, "even": False},
        {"side": "inside", "count": 1, "pitch_um": None, "pitch_um_u": None, "even": False},
    ],
    "wafer": {"dies_formula": 10234, "dies_placed": 10251, "assumption": "a wafer of 300 mm"},
    "budget": LINES,
    "width_budget": LINES,
    "height_budget": [],
}


def test_facts_of_a_die_that_was_found() -> None:
    facts = dict(die_facts(DIE))
    assert "not drawn" in facts["Outline of the die"]
    assert facts["Die against the mosaic"] == "turned by 0.412 ± 0.022° clockwise"
    assert facts["Pads"] == (
        "12: 9 at the top, pitch 90.00 ± 0.10 µm; 2 at the left, not evenly spaced, usual pitch 120.00 ± 0.40 µm; "
        "1 away from the rim"
    )
    assert facts["Dies on a wafer"].startswith("about 10\u202f200 by the usual formula, 10\u202f300 by placing them")
    assert "300 mm" in facts["Dies on a wafer"]


def test_a_file_without_these_facts_has_none() -> None:
    assert die_facts(None) == ()
    assert die_facts({"name": "Die", "area_um2": 1.0}) == ()
    assert block_budgets({"name": "Die"}, [{"name": "a"}]) == ()


def test_budgets_of_die_and_blocks_largest_first() -> None:
    found = dict(block_budgets(DIE, [{"name": "core", "budget": LINES}]))
    assert list(found) == ["Die (found): area", "Die (found): width", "core: area"]
    assert [row[0] for row in found["core: area"]] == ["vertices", "scale"]
    assert "largest: 64 %" in found["core: area"][0][2]
    many = [{"name": f"b{i}", "budget": LINES} for i in range(MOST_BUDGETS + 5)]
    assert len(block_budgets(None, many)) == MOST_BUDGETS


def test_the_page_shows_them_folded(full_folder: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(full_folder, tmp_path / "survey")
    path = folder / "measurements.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["die"] |= DIE
    document["unassigned_share_u"] = 0.002
    for block in document["blocks"]:
        block["budget"] = LINES
    path.write_text(json.dumps(document), encoding="utf-8")
    page = write_report(folder, tmp_path / "report.html").read_text(encoding="utf-8")
    assert "turned by 0.412" in page
    first = page.index("Where the uncertainty of each comes from")
    assert page.count("<details>", first) >= 4
    assert "Synthesizer &lt;coil&gt; &amp; more: area" in page
    assert "0.40 %" in page[page.rindex("Not assigned") :][:900]  # U of the share of what is left, k = 2


def test_a_found_die_is_drawn_with_the_rest_so_that_it_can_be_checked(full_folder: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(full_folder, tmp_path / "survey")
    path, blocks = folder / "measurements.json", folder / "blocks.geojson"
    document, drawn = (json.loads(name.read_text(encoding="utf-8")) for name in (path, blocks))
    drawn["features"] = [item for item in drawn["features"] if item["properties"]["kind"] != "die"]
    blocks.write_text(json.dumps(drawn), encoding="utf-8")
    document["die"] |= {**DIE, "outline_px": [[40, 40], [1160, 40], [1160, 860], [40, 860]]}
    path.write_text(json.dumps(document), encoding="utf-8")
    regions = read_outputs(folder).regions
    assert regions is not None
    (die,) = regions.of_kind("die")
    assert die.name == "Die (found)"
    assert die.geometry.bounds == (40, 40, 1160, 860)
    assert len(regions.regions) == len(drawn["features"]) + 1
    document["die"]["found"] = False
    path.write_text(json.dumps(document), encoding="utf-8")
    outputs = read_outputs(folder)
    assert outputs.regions is not None
    assert not outputs.regions.of_kind("die")
