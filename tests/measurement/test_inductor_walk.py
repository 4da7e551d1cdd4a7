"""Following a conductor from band to band: what closes on itself, or can be read in two ways, is refused."""

from __future__ import annotations

import numpy as np
import pytest

from dieplat.errors import UndecidedError
from dieplat.measurement.inductor.bands import Island, check_seen
from dieplat.measurement.inductor.joints import Joint
from dieplat.measurement.inductor.walk import follow

N = 100


def island(first, count, bands):
    return Island(first, np.tile(50.0 - 14.0 * np.arange(bands), (count, 1)))


def seen(before, after, *pairs, options=((),), crossing=(False,)):
    return Joint(before, after, pairs, options, crossing)


def test_a_spiral_is_one_way_from_the_outermost_end_to_the_innermost():
    # Two turns and a half: three bands on one half of the circle, two on the other.
    islands = [island(0, 48, 3), island(50, 48, 2)]
    walk = follow(islands, [seen(0, 1, (0, 0), (1, 1)), seen(1, 0, (0, 1), (1, 2))])
    assert [(s.island, s.band) for s in walk.steps] == [(0, 0), (1, 0), (0, 1), (1, 1), (0, 2)]
    assert not walk.symmetric


def test_two_rings_with_a_crossing_and_a_port_are_a_symmetric_winding():
    islands = [island(0, 48, 2), island(50, 48, 2)]
    crossing = seen(0, 1, (0, 1), options=((), ((1, 0),)), crossing=(False, True))
    walk = follow(islands, [crossing, seen(1, 0, (1, 1))])
    assert walk.symmetric
    assert len(walk.steps) == 4


def test_the_same_joint_at_a_step_is_no_crossing():
    # One strap from the first ring to the second, and no port elsewhere: a spiral of two turns.
    islands = [island(0, 48, 2), island(50, 48, 2)]
    step = seen(0, 1, (0, 1), options=((), ((1, 0),)), crossing=(False, True))
    walk = follow(islands, [step, seen(1, 0, (0, 0), (1, 1))])
    assert not walk.symmetric
    assert [(s.island, s.band) for s in walk.steps] == [(1, 0), (0, 0), (1, 1), (0, 1)]


@pytest.mark.parametrize(
    "joints",
    [
        [seen(0, 1, (0, 0), (1, 1)), seen(1, 0, (0, 0), (1, 1))],
        [seen(0, 1, (0, 0)), seen(1, 0, (0, 0), (1, 1))],
        [seen(0, 1), seen(1, 0, (0, 0), (1, 1))],
        [seen(0, 1, (0, 0), (1, 2)), seen(1, 0, (0, 0), (1, 1), (2, 2))],
    ],
    ids=["closed rings", "an inner ring with a break", "everything broken", "a ring as near as a turn"],
)
def test_what_is_not_one_conductor_is_refused(joints):
    bands = 3 if len(joints[1].seen) == 3 else 2
    islands = [island(0, 48, bands), island(50, 48, bands)]
    with pytest.raises(UndecidedError):
        follow(islands, joints)


def test_two_ways_to_join_are_refused():
    # What hides the joint could hide a spiral that turns either way.
    hidden = seen(0, 1, options=((), ((0, 1),), ((1, 0),)), crossing=(False, False, False))
    with pytest.raises(UndecidedError, match="several ways"):
        follow([island(0, 48, 2), island(50, 48, 2)], [hidden, seen(1, 0, (0, 0), (1, 1))])


def test_a_long_hidden_stretch_is_refused():
    with pytest.raises(UndecidedError, match="hidden"):
        check_seen([island(0, 30, 2), island(35, 38, 2)], N)
    with pytest.raises(UndecidedError, match="disturbed"):
        check_seen([island(0, 20, 2), island(30, 10, 2), island(50, 10, 2)], N)
    check_seen([island(0, 35, 2), island(45, 45, 2)], N)
