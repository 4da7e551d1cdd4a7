"""Charts and tables of an inductor in the report."""

from __future__ import annotations

import copy
import re
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from made_up import coil_figures

from dieplat.report.coil_chart import HIGH, WIDE, coil_charts
from dieplat.report.coil_rows import assumed_rows, circuit_rows


@pytest.fixture
def coil():
    return {"frequency_hz": 2.44175e9, "electrical": copy.deepcopy(coil_figures())}


def points(svg, kind):
    path = next(item.get("d") for item in ElementTree.fromstring(svg).iter("path") if item.get("class") == kind)
    return [tuple(map(float, pair)) for pair in re.findall(r"(-?[\d.]+) (-?[\d.]+)", path)]


def test_two_charts_with_a_band_about_the_curve(coil):
    charts = coil_charts("Coil <1>", coil)
    assert len(charts) == 2
    for chart, key in zip(charts, ("inductance_nh", "quality"), strict=True):
        curve = points(chart.svg, "curve")
        assert len(curve) == len(coil["electrical"]["curve"]["frequency_hz"])
        band = points(chart.svg, "band")
        upper, lower = band[: len(curve)], band[len(curve) :][::-1]
        for (x, y), (_, top), (_, bottom) in zip(curve, upper, lower, strict=True):
            assert 0 < x < WIDE
            assert 0 < top - 0.11 <= y + 0.11
            assert y - 0.11 <= bottom + 0.11 < HIGH
        # Frequencies are evenly spaced in ratio, so the places are evenly spaced.
        steps = [b[0] - a[0] for a, b in pairwise(curve)]
        assert max(steps) - min(steps) < 0.21
        values = coil["electrical"]["curve"][key]
        highest = min(range(len(curve)), key=lambda k: curve[k][1])
        assert values[highest] == pytest.approx(max(values), rel=5e-3)


def test_words_for_those_who_do_not_see_it(coil):
    inductance, quality = (
        ElementTree.fromstring(chart.svg).get("aria-label") for chart in coil_charts("Coil <1>", coil)
    )
    assert "Inductance of Coil <1> from" in inductance
    assert "nH at the lowest frequency" in inductance
    assert "Self-resonance lies between" in quality


def test_the_frequency_asked_for_is_marked_if_it_is_in_the_chart(coil):
    assert all("asked" in chart.svg for chart in coil_charts("a", coil))
    coil["frequency_hz"] = 1e3
    assert not any("asked" in chart.svg for chart in coil_charts("a", coil))


def test_no_metal_no_quality(coil):
    for suffix in ("", "_low", "_high"):
        coil["electrical"]["curve"][f"quality{suffix}"] = None
    coil["electrical"] |= {"resistance_ohm": None, "peak": None}
    coil["electrical"]["at"] |= {"quality": None, "resistance_ohm": None}
    assert len(coil_charts("a", coil)) == 1
    rows = circuit_rows(coil["electrical"])
    assert ("Resistance and quality factor", "not given", "no metal was assumed") in rows
    assert not any("Ω" in value for _, value, _ in rows)


def test_results_of_an_older_version_have_no_chart():
    assert coil_charts("a", {"inductance_nh": 2.0}) == ()
    assert circuit_rows({}) == ()
    assert assumed_rows({}) == ()


def test_every_figure_has_its_range_and_every_assumption_its_source(coil):
    rows = circuit_rows(coil["electrical"])
    assert [what for what, _, _ in rows][:2] == ["Resistance, direct current", "Inductance at 2.442 GHz"]
    assert all(" to " in span for _, _, span in rows)
    assumed = assumed_rows(coil["electrical"])
    assert len(assumed) == 5
    assert all(source for *_, source in assumed)
    metal = next(row for row in assumed if "resistivity of" in row[0])
    assert metal[1:3] == ("23.5 nΩ m", "16.8 to 33.0")
