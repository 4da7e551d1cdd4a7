"""A grid from steps between tiles, some of them false: every place holds one tile, and steps must close into loops.

Repeating blocks give steps between tiles that only look alike. A true neighbourhood is the best of both its tiles in
its direction (Gallagher 2012, Jigsaw puzzles with pieces of unknown orientation, CVPR, 382-389, on best buddies), fits
the steps around it in a loop, and puts no two tiles into one place. What fails that is left out, not guessed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

Cell = tuple[int, int]
"""Row, column."""
Step = tuple[int, int]

STEPS: tuple[Step, ...] = ((0, 1), (0, -1), (1, 0), (-1, 0))
LEAD = 0.03
"""By how much the score of a tile's best neighbour must exceed that of any other in the same direction."""
CLOSURE_PX = 2.5
"""Four offsets rounded to thumbnail pixels close to within this."""
ALONE_SCORE = 0.4
"""A tile that hangs on a single step without a loop must show it at least so well."""


@dataclass(frozen=True, slots=True)
class Link:
    """Tile b lies one step (rows, columns) from tile a."""

    a: int
    b: int
    step: Step
    score: float
    offset_px: tuple[float, float]
    """(x, y) in thumbnail pixels."""


def _opposite(step: Step) -> Step:
    return -step[0], -step[1]


def closed_squares(links: Sequence[Link]) -> list[int]:
    """Of how many squares of four links each is a side, whose offsets add up to nothing within `CLOSURE_PX`."""
    beside: dict[tuple[int, Step], list[tuple[int, float, float]]] = defaultdict(list)
    for link in links:
        beside[link.a, link.step].append((link.b, *link.offset_px))
        beside[link.b, _opposite(link.step)].append((link.a, -link.offset_px[0], -link.offset_px[1]))

    def squares(link: Link, turn: Step) -> int:
        found = set()
        for corner, x1, y1 in beside[link.a, turn]:
            for across, x2, y2 in beside[corner, link.step]:
                for end, x3, y3 in beside[across, _opposite(turn)]:
                    gap = (x1 + x2 + x3 - link.offset_px[0], y1 + y2 + y3 - link.offset_px[1])
                    if end == link.b and max(map(abs, gap)) <= CLOSURE_PX:
                        found.add((corner, across))
        return len(found)

    return [sum(squares(link, turn) > 0 for turn in STEPS if abs(turn[0]) != abs(link.step[0])) for link in list(links)]


def best_buddies(links: Sequence[Link]) -> list[tuple[Link, int]]:
    """Links that are the clear best of both their tiles in their direction, with their squares, best first.

    More squares are better; of equally many the score must lead.
    """
    squares = closed_squares(links)
    offers: dict[tuple[int, Step], list[tuple[int, float]]] = defaultdict(list)
    for link, closed in zip(links, squares, strict=True):
        offers[link.a, link.step].append((closed, link.score))
        offers[link.b, _opposite(link.step)].append((closed, link.score))

    def is_best(end: tuple[int, Step], closed: int, score: float) -> bool:
        first, *others = sorted(offers[end], reverse=True)
        if (closed, score) != first:
            return False
        return not others or others[0][0] < closed or score - others[0][1] >= LEAD

    good = [
        (link, closed)
        for link, closed in zip(links, squares, strict=True)
        if is_best((link.a, link.step), closed, link.score)
        and is_best((link.b, _opposite(link.step)), closed, link.score)
    ]
    return sorted(good, key=lambda one: (-one[1], -one[0].score, one[0].a, one[0].b))


class Clusters:
    """Groups of tiles whose places among themselves are known."""

    def __init__(self, count: int) -> None:
        self.group = list(range(count))
        self.cell: list[Cell] = [(0, 0)] * count
        self.members: dict[int, list[int]] = {i: [i] for i in range(count)}

    def shift(self, link: Link) -> Cell:
        """By how much b's group must move to obey the link."""
        a, b = self.cell[link.a], self.cell[link.b]
        return a[0] + link.step[0] - b[0], a[1] + link.step[1] - b[1]

    def joins(self, link: Link) -> bool:
        """Whether the link is between two groups."""
        return self.group[link.a] != self.group[link.b]

    def merge(self, link: Link) -> bool:
        """Join two groups by a link; not if two tiles came to lie in one place."""
        one, other = self.group[link.a], self.group[link.b]
        moved = self.shift(link)
        taken = {self.cell[i] for i in self.members[one]}
        places = {i: (self.cell[i][0] + moved[0], self.cell[i][1] + moved[1]) for i in self.members[other]}
        if taken & set(places.values()):
            return False
        for i, place in places.items():
            self.cell[i], self.group[i] = place, one
        self.members[one] += self.members.pop(other)
        return True

    def largest(self) -> list[int]:
        """The tiles of the largest group; of equal ones that with the smallest index."""
        return max(self.members.values(), key=lambda tiles: (len(tiles), -min(tiles)))


def assemble(count: int, links: Sequence[Link]) -> Clusters:
    """Join tiles by their links: those in loops first, then where two links agree, single tiles last."""
    known = best_buddies(links)
    # What is not in a square with other best buddies was in one by chance.
    good = [link for link, _ in known]
    clusters = Clusters(count)
    for link, closed in zip(good, closed_squares(good), strict=True):
        if closed and clusters.joins(link):
            clusters.merge(link)
    changed = True
    while changed:
        changed = False
        for votes in _between(clusters, good):
            first = votes[0]
            single = min(len(clusters.members[clusters.group[i]]) for i in (first.a, first.b)) == 1
            if clusters.joins(first) and (len(votes) > 1 or (single and first.score >= ALONE_SCORE)):
                changed = clusters.merge(first) or changed
                if changed:
                    break
    return clusters


def _between(clusters: Clusters, links: Sequence[Link]) -> list[list[Link]]:
    """Links between groups, gathered by the pair of groups and the shift they ask for; most votes first.

    A pair of groups that is told two different shifts as loudly is left alone.
    """
    asked: dict[tuple[int, int], dict[Cell, list[Link]]] = defaultdict(lambda: defaultdict(list))
    for link in links:
        if clusters.joins(link):
            if clusters.group[link.a] > clusters.group[link.b]:
                back = -link.offset_px[0], -link.offset_px[1]
                link = Link(link.b, link.a, _opposite(link.step), link.score, back)
            asked[clusters.group[link.a], clusters.group[link.b]][clusters.shift(link)].append(link)
    found = []
    for shifts in asked.values():
        ranked = sorted(shifts.values(), key=lambda votes: -sum(link.score for link in votes))
        if len(ranked) == 1 or len(ranked[0]) > len(ranked[1]):
            found.append(ranked[0])
    return sorted(found, key=lambda votes: (-len(votes), -votes[0].score, votes[0].a, votes[0].b))


def drop_contradicted(cells: Mapping[int, Cell], scores: Mapping[tuple[int, int], float]) -> dict[int, Cell]:
    """Take out tiles that the pictures deny more of their neighbours than they confirm.

    Parameters
    ----------
    cells : mapping of int to cell
        Placed tiles.
    scores : mapping of pair to float
        For pairs (i, j) that lie next to each other, the score of the step that their places claim.
    """
    for_tile: dict[int, list[bool]] = defaultdict(list)
    for (i, j), score in scores.items():
        for tile in (i, j):
            for_tile[tile].append(score > 0.1)
    return {
        tile: cell
        for tile, cell in cells.items()
        if tile not in for_tile or 2 * sum(for_tile[tile]) >= len(for_tile[tile])
    }
