"""First-order results of a whole survey against drawing all its inputs anew (JCGM 101:2008, clause 8)."""

import math

import numpy as np
import pytest
from shapely.affinity import rotate
from shapely.geometry import Polygon, box

from dieplat.measurement.areas import measure_area
from dieplat.measurement.montecarlo import validate
from dieplat.measurement.placement import Inputs, Placement
from dieplat.measurement.redraw import Redraw
from dieplat.survey.check import check_survey
from dieplat.values import Layout, PairLink, PlacedTile, Region, Regions, Scale, ScalePart

PARTS = (
    ScalePart("line fit", 2e-4, "1", "A"),
    ScalePart("micrometer pitch", 3e-4, "1", "B"),
    ScalePart("ratio of the axes", 3e-4, "1", "B", "", 0.0, 1.0),
    ScalePart("angle of the axes", 3e-3, "1", "B", "", 0.0, 0.0, 1.0),
)
U_X, U_Y = math.hypot(2e-4, 3e-4), math.hypot(2e-4, 3e-4, 3e-4)
SCALE = Scale(0.5, 0.5 * U_X, 0.48, 0.48 * U_Y, 10.0, 0.003, 100, 0.0, "ruler", budget=PARTS)


def grid(u):
    """Three by two tiles of 400 x 400 px, joined where they overlap."""
    places = [(x, y) for y in range(2) for x in range(3)]
    tiles = tuple(PlacedTile(f"t{x}{y}", 320.0 * x, 320.0 * y, u, u, "overlap") for x, y in places)
    joined = [(a, b) for a in places for b in places if b in ((a[0] + 1, a[1]), (a[0], a[1] + 1))]
    pairs = tuple(PairLink(f"t{a[0]}{a[1]}", f"t{b[0]}{b[1]}", 0.0, 0.0, 0.0, True) for a, b in joined)
    return Layout(1040, 720, 400, 400, tiles, pairs, (), 0.1)


def survey(turn=0.0):
    shapes = [
        ("die", "die", box(40, 40, 1000, 680)),
        ("alu", "logic", box(60, 60, 400, 300)),
        ("core", "logic", box(400, 60, 700, 300)),
        ("ram", "analog", Polygon(box(60, 340, 560, 640).exterior.coords, [box(200, 400, 300, 500).exterior.coords])),
        ("pad", "io_pad", box(900, 600, 940, 640)),
        ("odd", "other", Polygon([(620, 350), (820, 380), (860, 520), (700, 500), (640, 640)])),
    ]
    return Regions(tuple(Region(n, k, rotate(s, turn, origin=(520, 360))) for n, k, s in shapes), "blocks")


@pytest.mark.parametrize("turn", [0.0, 1.5])
def test_all_intervals_agree_with_the_draws(turn):
    results = check_survey(survey(turn), SCALE, layout=grid(0.4), rng=np.random.default_rng(1))
    names = [result.name for result in results]
    assert {"die: area", "die: width", "die: height", "unassigned", "logic: sum", "pad: share"} <= set(names)
    assert [result.name for result in results if not result.agrees] == []
    for result in results:
        assert result.trials.u == pytest.approx(result.u, rel=0.03)  # 4 standard errors of 2e4 draws: 2 %


@pytest.mark.parametrize("factor", [0.5, 0.8, 1.3])
def test_a_statement_that_is_too_narrow_or_too_wide_is_found(factor):
    regions, placement = survey(), Placement()
    pad = regions.of_kind("io_pad")[0].geometry
    stated = measure_area([pad], Inputs(SCALE, placement))
    drawn = Redraw([pad], SCALE, placement, draws=20_000, rng=np.random.default_rng(2)).area([pad])
    assert validate("pad", stated.value, stated.u, drawn).agrees
    assert not validate("pad", stated.value, factor * stated.u, drawn).agrees


def test_the_same_seed_gives_the_same_draws():
    one, two = (check_survey(survey(), SCALE, rng=np.random.default_rng(7), draws=200) for _ in range(2))
    assert one == two


def test_nothing_to_measure_gives_nothing():
    assert check_survey(Regions((), "blocks"), SCALE, rng=np.random.default_rng(1)) == ()
