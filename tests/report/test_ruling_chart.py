"""The plot of a micrometer's lines against an even ruling."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from dieplat.calibration import measure_scale
from dieplat.calibration.scale_file import load_scale, save_scale
from dieplat.report.ruling_chart import HIGH, ruling_charts


def scale_with(residuals: list[float], used: list[bool], pictures: int = 1) -> dict:
    ruling = {"line": list(range(len(residuals))), "residual_px": residuals, "used": used}
    return {"um_per_px_x": 0.5, "um_per_px_y": 0.5, "pitch_um": 10.0, "rulings": [ruling] * pictures}


def heights(svg: str, look: str) -> list[float]:
    return [float(y) for y in re.findall(rf'class="{look}" cx="[\d.]+" cy="([\d.]+)"', svg)]


def test_every_line_is_a_dot_at_its_distance() -> None:
    (svg,) = ruling_charts(scale_with([0.0, 0.01, -0.02, 0.02], [True] * 4))
    y = heights(svg, "dot")
    assert len(y) == 4
    # Up is positive, evenly to both sides, in proportion.
    assert y[0] - y[3] == pytest.approx(y[2] - y[0], abs=0.11)
    assert y[0] - y[1] == pytest.approx((y[0] - y[3]) / 2, abs=0.11)
    # 0.02 px at 0.5 um a pixel are 10 nm.
    assert "10 nm at most" in svg
    assert "530" not in svg
    assert "30 µm" in svg


def test_a_line_left_out_is_hollow_and_does_not_set_the_reach() -> None:
    (svg,) = ruling_charts(scale_with([0.01, -0.01, 5.0, 0.01], [True, True, False, True]))
    assert len(heights(svg, "dot")) == 3
    (far,) = heights(svg, "left-out")
    assert 0 < far < min(heights(svg, "dot")) < HIGH
    assert "1 left out" in svg


def test_two_pictures_are_two_plots_and_a_known_length_is_none() -> None:
    first, second = ruling_charts(scale_with([0.01, -0.01], [True, True], pictures=2))
    assert "first picture" in first
    assert "turned picture" in second
    assert ruling_charts({"um_per_px_x": 0.5, "um_per_px_y": 0.5, "pitch_um": 10.0}) == ()


def test_lines_survive_the_file(tmp_path: Path) -> None:
    x = np.arange(900) + 0.5
    profile = 200.0 - 90.0 * np.exp(-0.5 * (((x - 20.0) % 30.0 - 15.0) / 2.0) ** 2)
    picture = np.round(profile + np.random.default_rng(3).normal(0, 3, (400, 900))).astype(np.uint8)
    scale = measure_scale(picture, pitch_um=10.0)
    save_scale(tmp_path / "scale.json", scale)
    back = load_scale(tmp_path / "scale.json")
    assert back.rulings == scale.rulings
    assert sum(back.rulings[0].used) == scale.lines_used >= 28
