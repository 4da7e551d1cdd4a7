"""Following one conductor through all bands, from end to end: only if that can be done in one way is it counted."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from dieplat.errors import UndecidedError
from dieplat.measurement.inductor.bands import Island
from dieplat.measurement.inductor.joints import Joint

Node = tuple[int, int]
"""An island's number and a band's place in it, counted from the outside."""

Port = tuple[Node, int]
"""A node's side: -1 where its columns begin, +1 where they end."""

MOST_WAYS = 4096


@dataclass(frozen=True, slots=True)
class Step:
    """One band of one island on the way; `forward` if along rising angles. `crossed`: reached through a crossing."""

    island: int
    band: int
    forward: bool
    crossed: bool


@dataclass(frozen=True, slots=True)
class Walk:
    """The conductor from its outer end (a symmetric winding: from one port to the other) through every band."""

    steps: tuple[Step, ...]
    symmetric: bool


def follow(islands: list[Island], joints: list[Joint]) -> Walk:
    """Find the one way to walk through all bands.

    Every band of every undisturbed stretch is passed once, by joints that are seen. What is not seen may be
    joined in several ways; of all combinations exactly one must leave a single open conductor with its ends where
    a winding has them.

    Raises
    ------
    UndecidedError
        If there is no such way, or several.
    """
    ways = 1
    for joint in joints:
        ways *= len(joint.options)
    if ways > MOST_WAYS:
        raise UndecidedError("too much of the winding is covered to follow the conductor")
    found: list[Walk] = []
    for chosen in itertools.product(*(range(len(joint.options)) for joint in joints)):
        walk = _walk(islands, joints, chosen)
        if walk is not None and walk not in found:
            found.append(walk)
    if not found:
        raise UndecidedError("the bands do not join up to one conductor with two ends")
    if len(found) > 1:
        raise UndecidedError("the bands can be joined up to a conductor in several ways")
    return found[0]


def _walk(islands: list[Island], joints: list[Joint], chosen: tuple[int, ...]) -> Walk | None:
    links: dict[Port, tuple[Port, bool]] = {}
    for joint, option in zip(joints, chosen, strict=True):
        for i, j in (*joint.seen, *joint.options[option]):
            end, start = ((joint.before, i), 1), ((joint.after, j), -1)
            if end in links or start in links:
                return None
            crossed = joint.crossing[option] and i != j
            links[end], links[start] = (start, crossed), (end, crossed)
    nodes = {(k, i) for k, island in enumerate(islands) for i in range(island.bands)}
    ends: list[Port] = [(node, side) for node in nodes for side in (-1, 1) if (node, side) not in links]
    if len(ends) != 2:
        return None
    steps = _path(ends[0], links)
    if len(steps) < len(nodes):
        return None  # a closed ring as near as a turn, around or inside: whose gap is which is not told
    crossed = any(s.crossed for s in steps)
    if crossed:
        fits = all(node[1] == 0 for node, _ in ends) and _meet(ends, len(islands))
    else:
        if steps[0].band != 0:
            steps = [Step(s.island, s.band, not s.forward, s.crossed) for s in reversed(steps)]
        last = steps[-1]
        fits = steps[0].band == 0 and last.band == islands[last.island].bands - 1
    return Walk(tuple(steps), crossed) if fits else None


def _path(start: Port, links: dict[Port, tuple[Port, bool]]) -> list[Step]:
    steps = []
    (node, side), crossed = start, False
    while True:
        steps.append(Step(node[0], node[1], side < 0, crossed))
        onward = links.get((node, -side))
        if onward is None:
            return steps
        (node, side), crossed = onward


def _meet(ends: list[Port], islands: int) -> bool:
    """Whether two ends face each other over one gap."""
    (a, side_a), (b, side_b) = sorted(ends, key=lambda port: -port[1])
    return side_a == 1 and side_b == -1 and (a[0] + 1) % islands == b[0]
