"""Grids put together from steps, some of them false."""

from __future__ import annotations

import numpy as np

from dieplat.registration.puzzle import Link, assemble, best_buddies, closed_squares, drop_contradicted


def links_of(rows: int, columns: int, *, rng: np.random.Generator | None = None) -> list[Link]:
    """All true links of a grid, numbered in reading order, with steps of 100 px that scatter by 5 px a tile."""
    jitter = rng.normal(0, 5, (rows * columns, 2)) if rng is not None else np.zeros((rows * columns, 2))
    found = []
    for a in range(rows * columns):
        for b, step in ((a + 1, (0, 1)), (a + columns, (1, 0))):
            if b < rows * columns and (step == (1, 0) or b % columns):
                x, y = np.array([100.0 * step[1], 100.0 * step[0]]) + jitter[b] - jitter[a]
                found.append(Link(a, b, step, 0.6, (float(x), float(y))))
    return found


def test_a_grid_comes_together() -> None:
    clusters = assemble(12, links_of(3, 4, rng=np.random.default_rng(1)))
    assert sorted(clusters.largest()) == list(range(12))
    top = clusters.cell[0]
    assert [(clusters.cell[i][0] - top[0], clusters.cell[i][1] - top[1]) for i in range(12)] == [
        divmod(i, 4) for i in range(12)
    ]


def test_stronger_but_false_links_of_repeating_blocks_do_not_win() -> None:
    true = links_of(4, 5, rng=np.random.default_rng(2))
    false = [Link(0, 13, (0, 1), 0.9, (101.0, 3.0)), Link(6, 19, (1, 0), 0.9, (0.0, 96.0))]
    clusters = assemble(20, [*true, *false])
    top = clusters.cell[0]
    placed = clusters.largest()
    assert len(placed) == 20
    assert all((clusters.cell[i][0] - top[0], clusters.cell[i][1] - top[1]) == divmod(i, 5) for i in placed)


def test_a_square_must_close_in_pixels() -> None:
    links = links_of(2, 2)
    assert closed_squares(links) == [1, 1, 1, 1]
    bent = [Link(one.a, one.b, one.step, one.score, (one.offset_px[0], one.offset_px[1] + 4)) for one in links[:1]]
    assert closed_squares([*bent, *links[1:]]) == [0, 0, 0, 0]


def test_equal_rivals_are_left_open() -> None:
    rivals = [Link(0, 1, (0, 1), 0.60, (100.0, 0.0)), Link(0, 2, (0, 1), 0.61, (100.0, 0.0))]
    assert best_buddies(rivals) == []


def test_two_groups_are_not_joined_by_a_single_link() -> None:
    left, right = (
        links_of(2, 2),
        [Link(one.a + 4, one.b + 4, one.step, one.score, one.offset_px) for one in links_of(2, 2)],
    )
    bridge = Link(1, 4, (0, 1), 0.9, (100.0, 0.0))
    assert len(assemble(8, [*left, *right, bridge]).largest()) == 4
    second = Link(3, 6, (0, 1), 0.9, (101.0, 0.0))
    assert len(assemble(8, [*left, *right, bridge, second]).largest()) == 8


def test_a_tile_that_its_neighbours_deny_is_taken_out() -> None:
    cells = {0: (0, 0), 1: (0, 1), 2: (1, 0), 3: (1, 1)}
    scores = {(0, 1): 0.6, (0, 2): 0.5, (1, 3): 0.0, (2, 3): 0.0}
    assert set(drop_contradicted(cells, scores)) == {0, 1, 2}
