"""scale.json, and the combination of its uncertainties."""

import json
import math

import numpy as np
import pytest

from dieplat.calibration import Ruling, load_scale, save_scale
from dieplat.calibration.scale import _one_direction, _solve_axes
from dieplat.errors import ScaleError


def ruling(pitch_px=20.0, fit_u=0.0, angle_deg=0.0):
    lines = np.arange(10)
    return Ruling(
        angle_deg,
        0.0,
        pitch_px,
        fit_u,
        0.0,
        lines,
        lines * pitch_px,
        np.zeros(10),
        np.ones(10, bool),
        0.0,
        640,
        480,
    )


def scale(fit_u=0.001):
    return _one_direction(ruling(fit_u=fit_u), 10.0, 0.005, 5e-4, "micrometer.tif")


def test_fit_and_tolerance_combine_to_the_published_check_value():
    # Reference note "measurement-uncertainty", section 5, recomputed there: 1 mm over 2000 px, ends located
    # with u = 0.3 px each, certificate U(k = 2) = 1 um; JCGM 100, 5.1.2 gives 5.43e-4.
    fit_rel = 0.3 * math.sqrt(2.0) / 2000.0
    found = _one_direction(ruling(fit_u=20.0 * fit_rel), 10.0, 0.005, 0.0005, "")
    assert found.um_per_px_x_u / found.um_per_px_x == pytest.approx(5.43e-4, abs=0.005e-4)


def test_two_leaning_rulings_give_both_axes_exactly():
    sx, sy = 0.5, 0.51
    pitches = []
    for degrees in (10.0, 95.0):
        a = math.radians(degrees)
        pitches.append(ruling(10.0 * math.hypot(math.cos(a) / sx, math.sin(a) / sy), angle_deg=degrees))
    counts, _ = _solve_axes(*pitches)
    assert 10.0 / counts == pytest.approx([sx, sy], rel=1e-12)


def test_a_scale_file_comes_back_as_it_was(tmp_path):
    save_scale(tmp_path / "scale.json", scale())
    assert load_scale(tmp_path / "scale.json") == scale()


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("um_per_px_x", 0),
        ("um_per_px_y", -0.5),
        ("um_per_px_x", None),
        ("um_per_px_x", "0.5 um"),
        ("um_per_px_x", math.nan),
        ("um_per_px_x", math.inf),
        ("um_per_px_x", 5e-7),
        ("um_per_px_x_u", -0.1),
        ("um_per_px_y_u", 0.6),
        ("um_per_px_y", 1.5),
        ("pitch_um", True),
        ("lines_used", 1.5),
        ("source", 3),
        ("budget", {}),
    ],
)
def test_a_wrong_value_is_refused_in_one_line_that_names_the_file(tmp_path, key, value):
    path = tmp_path / "scale.json"
    path.write_text(json.dumps({**scale().to_dict(), key: value}))
    with pytest.raises(ScaleError, match=key) as refused:
        load_scale(path)
    assert str(refused.value).startswith(str(path))
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("text", ["", "[]", "{}", "nonsense", '{"um_per_px_x": 1'])
def test_a_file_that_is_no_scale_is_refused(tmp_path, text):
    path = tmp_path / "scale.json"
    path.write_text(text)
    with pytest.raises(ScaleError, match=r"scale\.json: "):
        load_scale(path)


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(ScaleError, match="no such file"):
        load_scale(tmp_path / "scale.json")
