"""What was read lies where it was read, also in a lattice that is turned."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dieplat.annotate.found import lines_found

UM_PER_PX = (0.5, 0.5)


def an_array(columns: int, rows: int, rotation_deg: float) -> dict[str, object]:
    bank = {"bounds_px": [100.0, 50.0, 0.0, 0.0], "columns": columns, "rows": rows}
    array = {"pitch_x_um": 4.0, "pitch_y_um": 3.0, "rotation_deg": rotation_deg, "bank_list": [bank]}
    return {"array": array, "inductor": None}


def test_a_turned_bank_is_framed_along_its_own_rows() -> None:
    found = lines_found(an_array(10, 5, 30.0), UM_PER_PX)
    (frame,) = found["frames"]
    cosine, sine = math.cos(math.pi / 6), math.sin(math.pi / 6)
    along, down = 10 * 8.0, 5 * 6.0
    assert frame[0] == pytest.approx((100, 50))
    assert frame[1] == pytest.approx((100 + along * cosine, 50 + along * sine))
    assert frame[2] == pytest.approx((100 + along * cosine - down * sine, 50 + along * sine + down * cosine))
    assert len(found["cells"]) == 11 + 6
    lengths = sorted(math.dist(line[0], line[-1]) for line in found["cells"])
    assert lengths == pytest.approx([down] * 11 + [along] * 6)


def test_too_many_cells_leave_the_frames_alone() -> None:
    found = lines_found(an_array(4096, 64, 0.0), UM_PER_PX)
    assert "cells" not in found
    assert len(found["frames"]) == 1


def test_a_conductor_has_its_centre_line_and_edges_in_pixels() -> None:
    inductor = {"path_um": [(10.0, 10.0), (40.0, 10.0)], "width_um": 4.0}
    found = lines_found({"array": None, "inductor": inductor}, UM_PER_PX)
    assert found["centre"] == [[(20.0, 20.0), (80.0, 20.0)]]
    assert sorted(np.mean(line, axis=0)[1] for line in found["edges"]) == pytest.approx([16.0, 24.0])
    assert lines_found({"array": None, "inductor": None}, UM_PER_PX) == {}
