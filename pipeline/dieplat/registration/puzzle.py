"""Places of tiles from offsets between them, some of them false: offsets must close into loops, places hold one tile.

Repeating blocks give offsets between tiles that only look alike. A true neighbour is the best that both tiles have on
that side (Gallagher 2012, Jigsaw puzzles with pieces of unknown orientation, CVPR, 382-389, on best buddies), fits the
offsets around it in a loop, lies on no other tile, and all that overlaps in consequence must look alike too. What
fails that is left out, not guessed. Nothing here needs a grid: rows may begin anywhere and steps be of any length.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

Place = tuple[float, float]
"""x, y in thumbnail pixels."""
Check = Callable[[int, int, Place], float | None]
"""How alike two tiles are where they overlap at an offset; None if that shows nothing."""

LEAD = 0.03
"""By how much the score of a tile's best neighbour must exceed that of any other in the same place."""
CLOSURE_PX = 2.5
"""Offsets rounded to thumbnail pixels close to within this."""
SAME_SHIFT_PX = 6.0
"""Two links between two groups ask for the same shift within this: small errors add up across a group."""
SAME_PLACE = 0.45
"""Tiles whose corners differ by less than this share of a tile, along both axes, lie in one place."""
ALIKE, UNLIKE = 0.3, 0.15
"""Overlaps above the first bear a joining out, below the second they deny it."""


@dataclass(frozen=True, slots=True)
class Link:
    """Tile b lies `offset_px` (x, y), in thumbnail pixels, from tile a."""

    a: int
    b: int
    offset_px: Place
    score: float


def _turned(link: Link) -> Link:
    return Link(link.b, link.a, (-link.offset_px[0], -link.offset_px[1]), link.score)


def _from_each(links: Sequence[Link]) -> dict[int, list[Link]]:
    ends: dict[int, list[Link]] = defaultdict(list)
    for link in links:
        ends[link.a].append(link)
        ends[link.b].append(_turned(link))
    return ends


def closed_loops(links: Sequence[Link], size: tuple[int, int]) -> list[int]:
    """How many loops of three or four links through different places close, within `CLOSURE_PX`, for every link.

    `size` is the thumbnail's (width, height).
    """
    ends = _from_each(links)

    def loops(link: Link) -> int:
        found = set()
        x, y = link.offset_px
        for first in ends[link.a]:
            if first.b == link.b or in_one_place(first.offset_px, link.offset_px, size):
                continue
            for second in ends[first.b]:
                at = first.offset_px[0] + second.offset_px[0], first.offset_px[1] + second.offset_px[1]
                if second.b == link.b and _near(at, (x, y)):
                    found.add((first.b, -1))
                elif second.b not in (link.a, link.b) and not in_one_place(at, (0.0, 0.0), size):
                    found |= {
                        (first.b, second.b)
                        for third in ends[second.b]
                        if third.b == link.b and _near((at[0] + third.offset_px[0], at[1] + third.offset_px[1]), (x, y))
                    }
        return len(found)

    return [loops(link) for link in links]


def _near(one: Place, other: Place) -> bool:
    return max(abs(one[0] - other[0]), abs(one[1] - other[1])) <= CLOSURE_PX


def in_one_place(one: Place, other: Place, size: tuple[int, int]) -> bool:
    """Whether two corners are too near each other for two tiles of one survey."""
    return abs(one[0] - other[0]) < SAME_PLACE * size[0] and abs(one[1] - other[1]) < SAME_PLACE * size[1]


def best_buddies(links: Sequence[Link], size: tuple[int, int], *, loose_px: float = 0.0) -> list[tuple[Link, int]]:
    """Links that are the clear best of both their tiles in their place, with their loops, best first.

    More loops are better, as far as two; of equally many the score must lead. Offsets of one pair of tiles that differ
    by less than `loose_px`, as a repeating pattern gives them, are no rivals: which tiles are neighbours they all say.
    """
    loops = [min(count, 2) for count in closed_loops(links, size)]
    offers: dict[int, list[tuple[Link, int]]] = defaultdict(list)
    for link, closed in zip(links, loops, strict=True):
        offers[link.a].append((link, closed))
        offers[link.b].append((_turned(link), closed))

    def is_best(link: Link, closed: int) -> bool:
        for other, others_closed in offers[link.a]:
            (x, y), (other_x, other_y) = link.offset_px, other.offset_px
            apart = max(abs(x - other_x), abs(y - other_y))
            if (other.b == link.b and apart <= loose_px) or not in_one_place(other.offset_px, link.offset_px, size):
                continue
            if others_closed > closed or (others_closed == closed and other.score > link.score - LEAD):
                return False
        return True

    good = [
        (link, closed)
        for link, closed in zip(links, loops, strict=True)
        if is_best(link, closed) and is_best(_turned(link), closed)
    ]
    return sorted(good, key=lambda one: (-one[1], -one[0].score, one[0].a, one[0].b))


class Clusters:
    """Groups of tiles whose places among themselves are known."""

    def __init__(self, count: int, size: tuple[int, int], check: Check | None = None) -> None:
        self.group = list(range(count))
        self.place: list[Place] = [(0.0, 0.0)] * count
        self.members: dict[int, list[int]] = {i: [i] for i in range(count)}
        self._size = size
        self._check = check

    def shift(self, link: Link) -> Place:
        """By how much b's group must move to obey the link."""
        (ax, ay), (bx, by) = self.place[link.a], self.place[link.b]
        return ax + link.offset_px[0] - bx, ay + link.offset_px[1] - by

    def joins(self, link: Link) -> bool:
        """Whether the link is between two groups."""
        return self.group[link.a] != self.group[link.b]

    def merge(self, link: Link) -> bool:
        """Join two groups by a link; not if two tiles came to lie in one place, or what then overlaps is unlike."""
        one, other = self.group[link.a], self.group[link.b]
        if len(self.members[other]) > len(self.members[one]):
            return self.merge(_turned(link))
        moved = self.shift(link)
        stay, come = np.array(self.members[one]), np.array(self.members[other])
        offset = (
            np.array([self.place[i] for i in come])[None] + moved - np.array([self.place[i] for i in stay])[:, None]
        )
        share = np.abs(offset) / self._size
        if (share < SAME_PLACE).all(axis=2).any():
            return False
        alike = unlike = 0
        for i, j in np.argwhere((share < 1).all(axis=2)):
            a, b = int(stay[i]), int(come[j])
            seen = self._check(a, b, (float(offset[i, j, 0]), float(offset[i, j, 1]))) if self._check else None
            alike += seen is not None and seen > ALIKE
            unlike += seen is not None and seen < UNLIKE
        if unlike and 2 * unlike >= alike:
            return False
        for tile in self.members.pop(other):
            x, y = self.place[tile]
            self.place[tile], self.group[tile] = (x + moved[0], y + moved[1]), one
            self.members[one].append(tile)
        return True

    def largest(self) -> list[int]:
        """The tiles of the largest group; of equal ones that with the smallest index."""
        return max(self.members.values(), key=lambda tiles: (len(tiles), -min(tiles)))


def assemble(
    count: int,
    links: Sequence[Link],
    size: tuple[int, int],
    check: Check | None = None,
    *,
    loose_px: float = 0.0,
) -> Clusters:
    """Join tiles by their links: those in loops first, then where two links agree; a tile on one link is left out.

    Parameters
    ----------
    count : int
        Number of tiles.
    links : sequence of Link
        Several for one pair of tiles are rivals.
    size : tuple of int
        Thumbnail (width, height).
    check : callable, optional
        Likeness of two tiles at an offset, asked for all that overlap when groups are joined.
    loose_px : float, optional
        Offsets of one pair this near each other mean the same neighbours; for sets whose grid is all that is sought.
    """
    # What is not in a loop with other best buddies was in one by chance.
    good = [link for link, _ in best_buddies(links, size, loose_px=loose_px)]
    clusters = Clusters(count, size, check)
    ranked = sorted(zip(closed_loops(good, size), good, strict=True), key=lambda one: (-min(one[0], 2), -one[1].score))
    for closed, link in ranked:
        if closed and clusters.joins(link):
            clusters.merge(link)
    refused: set[tuple[int, int]] = set()
    changed = True
    while changed:
        changed = False
        for votes in _between(clusters, good):
            first = votes[0]
            ends = clusters.group[first.a], clusters.group[first.b]
            if ends not in refused and len(votes) > 1:
                changed = clusters.merge(first)
                if changed:
                    # Groups keep the number of one of them: what was refused may fit what they are now.
                    refused = {pair for pair in refused if not {*ends} & {*pair}}
                    break
                refused.add(ends)
    return clusters


def _between(clusters: Clusters, links: Sequence[Link]) -> list[list[Link]]:
    """Links between groups, gathered by the pair of groups and the shift they ask for; most votes first.

    A pair of groups that is told two different shifts as loudly is left alone.
    """
    asked: dict[tuple[int, int], list[tuple[Place, list[Link]]]] = defaultdict(list)
    for link in links:
        if not clusters.joins(link):
            continue
        if clusters.group[link.a] > clusters.group[link.b]:
            link = _turned(link)
        wanted = clusters.shift(link)
        shifts = asked[clusters.group[link.a], clusters.group[link.b]]
        for shift, votes in shifts:
            if max(abs(shift[0] - wanted[0]), abs(shift[1] - wanted[1])) <= SAME_SHIFT_PX:
                votes.append(link)
                break
        else:
            shifts.append((wanted, [link]))
    found = []
    for shifts in asked.values():
        ranked = sorted((votes for _, votes in shifts), key=lambda votes: -sum(link.score for link in votes))
        if len(ranked) == 1 or len(ranked[0]) > len(ranked[1]):
            found.append(sorted(ranked[0], key=lambda link: -link.score))
    return sorted(found, key=lambda votes: (-len(votes), -votes[0].score, votes[0].a, votes[0].b))
