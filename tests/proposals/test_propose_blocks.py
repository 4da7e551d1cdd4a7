"""Blocks of a small drawn die are found, whatever its colours and however it lies."""

from __future__ import annotations

import functools

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from proposals_small_die import COIL_CENTRE, COIL_OUTER, DIE, HEIGHT, LOGIC, MEMORY, PADS, WIDTH, small_die
from shapely.geometry import Polygon, box

from dieplat.proposals import Proposal, propose_blocks
from memory_mosaic import Memory


def overlap(one: Polygon, other: Polygon) -> float:
    """Intersection over union."""
    shared = one.intersection(other).area
    return float(shared / (one.area + other.area - shared))


def best(found: tuple[Proposal, ...], kind: str, shape: Polygon) -> float:
    """Overlap with the best proposal of a kind."""
    return max((overlap(shape, proposal.polygon) for proposal in found if proposal.kind == kind), default=0.0)


@functools.cache
def upright() -> tuple[Proposal, ...]:
    """The proposals for the die as drawn."""
    return propose_blocks(Memory(small_die()))


def test_every_block_is_found_where_it_was_drawn() -> None:
    found = upright()
    assert best(found, "die", box(*DIE)) > 0.99
    assert best(found, "memory_array", box(*MEMORY)) > 0.9
    assert best(found, "logic", box(*LOGIC)) > 0.8
    half = 0.57 * (COIL_OUTER + 6)  # to the metal's outer edges and a seventh more
    x, y = COIL_CENTRE
    assert best(found, "rf_inductor", box(x - half, y - half, x + half, y + half)) > 0.85
    assert min(best(found, "io_pad", box(*pad)) for pad in PADS) > 0.7
    counts = {kind: sum(p.kind == kind for p in found) for kind in ("memory_array", "logic", "rf_inductor", "io_pad")}
    assert counts == {"memory_array": 1, "logic": 1, "rf_inductor": 1, "io_pad": len(PADS)}


def test_each_says_how_sure_it_is_and_why() -> None:
    assert all(0.0 < proposal.confidence <= 1.0 and proposal.reason for proposal in upright())


@pytest.mark.parametrize("look", ["inverted", "coloured"])
def test_colours_and_polarity_do_not_matter(look: str) -> None:
    picture = small_die()
    if look == "inverted":
        picture = 255 - picture
    else:
        levels = np.arange(256) / 255.0
        table = np.stack([255 * (1 - levels) ** 0.7, 255 * (0.2 + 0.6 * levels), 255 * levels**1.5], axis=1)
        picture = table.astype(np.uint8)[picture]
    found = propose_blocks(Memory(picture))
    for proposal in upright():
        assert best(found, proposal.kind, proposal.polygon) > 0.85, proposal


@settings(deadline=None, max_examples=5)
@given(st.integers(0, 3), st.booleans())
def test_a_die_that_is_turned_or_mirrored_gives_the_same_blocks_turned_or_mirrored(turns: int, mirrored: bool) -> None:
    picture, size = small_die(), (WIDTH, HEIGHT)
    if mirrored:
        picture = picture[:, ::-1]
    for _ in range(turns):
        picture = cv2.rotate(picture, cv2.ROTATE_90_CLOCKWISE)
    found = propose_blocks(Memory(np.ascontiguousarray(picture)))
    for proposal in upright():
        points = np.asarray(proposal.polygon.exterior.coords)
        x, y, (width, height) = points[:, 0], points[:, 1], size
        x = width - x if mirrored else x
        for _ in range(turns):
            x, y, width, height = height - y, x, height, width
        assert best(found, proposal.kind, Polygon(np.column_stack([x, y]))) > 0.85, proposal


def test_bare_ground_gives_no_proposals() -> None:
    noise = np.random.default_rng(1).normal(100.0, 3.0, (300, 400))
    assert propose_blocks(Memory(np.clip(noise, 0, 255).astype(np.uint8))) == ()


def test_progress_is_told_to_the_end() -> None:
    steps: list[tuple[int, int]] = []
    propose_blocks(Memory(small_die()), progress=lambda done, total: steps.append((done, total)))
    assert [done for done, _ in steps] == list(range(1, steps[-1][1] + 1))
