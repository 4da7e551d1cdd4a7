"""What is proposed is named in the results and shown, never counted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from shapely.geometry import box

from dieplat.mosaicfile.write import write_mosaic
from dieplat.report.folder import Outputs
from dieplat.report.preview import draw_blocks, legend_entries
from dieplat.survey import measure_survey
from dieplat.values import Region, Regions, Scale
from dieplat.values.stated import Stated

SCALE = Scale(0.5, 0.0005, 0.5, 0.0005, 10.0, 0.0, 100, 0.0, "ruler")
DRAWN = Region("Logic", "logic", box(20, 20, 120, 120))
WAITING = Region("Logic 1 (proposed)", "logic", box(200, 20, 300, 120), properties={"proposed": True})


class Even:
    """A picture of one level, read like a mosaic."""

    width_px = height_px = 400

    def read(self, x0: int, y0: int, x1: int, y1: int, level: int = 0) -> Any:
        """Columns x0..x1 and rows y0..y1."""
        return np.full((y1 - y0, x1 - x0), 90, np.uint8)


def test_a_proposal_adds_a_warning_and_nothing_else() -> None:
    alone = measure_survey(Even(), Regions((DRAWN,), "blocks"), SCALE, stated=Stated(find_die=False))
    both = measure_survey(
        Even(), Regions((DRAWN,), "blocks", proposed=(WAITING,)), SCALE, stated=Stated(find_die=False)
    )
    assert [block.name for block in both.blocks] == ["Logic"]
    assert both.summary == alone.summary
    more = set(both.warnings) - set(alone.warnings)
    assert len(more) == 1
    assert "so not counted: 1;" in more.pop()


def test_the_preview_draws_a_proposal_dashed_and_says_what_it_is(tmp_path: Path) -> None:
    path = tmp_path / "mosaic.ome.tif"
    rows = np.full((400, 400), 90, np.uint8)
    write_mosaic(path, iter([rows]), width_px=400, height_px=400, channels=1, dtype="uint8", um_per_px=(0.5, 0.5))
    regions = Regions((), "blocks", proposed=(WAITING,))
    outputs = Outputs(tmp_path, path, {}, {"um_per_px_x": 0.5, "um_per_px_y": 0.5}, None, regions, {})
    plain = draw_blocks(replace(outputs, regions=None), longest_px=400).picture.astype(int)
    drawn = draw_blocks(outputs, longest_px=400).picture.astype(int)
    changed = np.abs(drawn - plain).max(axis=2) > 40
    edge = changed[15:26, 200:300].any(axis=0)
    assert edge.any()
    assert not changed[40:100, 220:280].any()  # nothing is filled
    assert [words for _, words in legend_entries(outputs)] == ["1 proposed, not counted"]
