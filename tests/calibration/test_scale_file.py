"""scale.json, and the combination of its uncertainties."""

import json
import math

import numpy as np
import pytest

from dieplat.calibration import Ruling, load_scale, save_scale
from dieplat.calibration.scale import SQUARE_U_REL, scale_of_rulings
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
    return scale_of_rulings(ruling(fit_u=fit_u), pitch_um=10.0, pitch_um_u=0.005, source="micrometer.tif")


def test_fit_and_tolerance_combine_to_the_published_check_value():
    # Reference note "measurement-uncertainty", section 5, recomputed there: 1 mm over 2000 px, ends located
    # with u = 0.3 px each, certificate U(k = 2) = 1 um; JCGM 100, 5.1.2 gives 5.43e-4.
    fit_rel = 0.3 * math.sqrt(2.0) / 2000.0
    found = scale_of_rulings(ruling(fit_u=20.0 * fit_rel), pitch_um=10.0, pitch_um_u=0.005)
    assert found.um_per_px_x_u / found.um_per_px_x == pytest.approx(5.43e-4, abs=0.005e-4)


def test_two_leaning_rulings_give_both_axes_exactly():
    sx, sy = 0.5, 0.51
    pitches = []
    for degrees in (10.0, 95.0):
        a = math.radians(degrees)
        pitches.append(ruling(10.0 * math.hypot(math.cos(a) / sx, math.sin(a) / sy), angle_deg=degrees))
    found = scale_of_rulings(*pitches, pitch_um=10.0)
    assert (found.um_per_px_x, found.um_per_px_y) == pytest.approx((sx, sy), rel=1e-12)


@pytest.mark.parametrize("degrees", [0.0, 20.0, 90.0])
def test_one_direction_does_not_tell_the_ratio_of_the_axes(degrees):
    # A ruling along x says nothing of y, one along y nothing of x: what is not seen carries the whole term.
    found = scale_of_rulings(ruling(20.0, angle_deg=degrees), pitch_um=10.0)
    parts = {part.name: part for part in found.budget}
    a = math.radians(degrees)
    ratio, angle = parts["ratio of the axes"], parts["angle of the axes"]
    assert (ratio.on_x, ratio.on_y) == pytest.approx((-(math.sin(a) ** 2), math.cos(a) ** 2), abs=1e-12)
    assert ratio.u == angle.u == SQUARE_U_REL
    for axis in "xy":
        effects = [part.u * getattr(part, f"on_{axis}") for part in found.budget]
        u = getattr(found, f"um_per_px_{axis}_u") / getattr(found, f"um_per_px_{axis}")
        assert u == pytest.approx(math.hypot(*effects), rel=1e-12)


@pytest.mark.parametrize(("first", "second"), [(0.0, 90.0), (10.0, 95.0), (-20.0, 75.0)])
def test_the_parts_of_two_directions_are_the_changes_that_their_causes_make(first, second):
    # Every cause by finite differences of the whole calculation: pitches apart, and axes that are not square.
    pitches = (20.0, 19.0)

    def scales(one=0.0, two=0.0, skew=0.0):
        pictures = []
        for pitch, degrees in zip((pitches[0] + one, pitches[1] + two), (first, second), strict=True):
            # The wave vector that axes with the angle 90 degrees + skew would show for the same ruling.
            a = math.radians(degrees)
            bent = math.sqrt(max(pitch**2 + skew * math.sin(2 * a) * math.prod(counts), 0.0))
            pictures.append(ruling(bent, angle_deg=degrees))
        found = scale_of_rulings(*pictures, pitch_um=10.0)
        return math.log(found.um_per_px_x), math.log(found.um_per_px_y), found

    counts = (0.0, 0.0)
    x, y, found = scales()
    counts = (10.0 / found.um_per_px_x, 10.0 / found.um_per_px_y)
    parts = {part.name: part for part in found.budget}
    fit_u = ruling(20.0).pitch_px_fit_u
    for name, change in (
        ("line fit, first picture", {"one": fit_u}),
        ("line fit, turned picture", {"two": fit_u}),
        ("angle of the axes", {"skew": SQUARE_U_REL}),
    ):
        part = parts[name]
        moved = scales(**change)
        assert (moved[0] - x, moved[1] - y) == pytest.approx(
            (part.u * part.on_x, part.u * part.on_y), rel=3e-3, abs=1e-9
        )


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


@pytest.mark.parametrize(
    ("key", "value", "told"), [("u", 1e200, "must lie from 0 to below 1"), ("on_x", 1e200, "an effect above")]
)
def test_a_budget_that_no_scale_has_is_refused(tmp_path, key, value, told):
    path = tmp_path / "scale.json"
    save_scale(path, scale())
    document = json.loads(path.read_text(encoding="utf-8"))
    document["budget"][0] |= {"u": 1e-5, "on_x": 1.0, "on_y": 1.0, "on_angle": 0.0, key: value}
    path.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(ScaleError, match=f"scale.json.*{told}"):
        load_scale(path)
