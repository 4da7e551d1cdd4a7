"""The global choice: which hypothesis of every pair is the true one, or which tiles must stay open.

Tiles joined by pairs without a rival form clusters. Two clusters then agree on one translation: every pair between
them votes with the costs of its hypotheses, and the stage model adds its own. The most certain decision is taken
first, the clusters merge, and their pairs vote together in the next one, so that loops of ambiguous pairs help each
other. This is Kruskal's spanning forest over margins; a pair as a set of weighted alternatives follows the max-mixture
of Olson and Agarwal (2013, Int. J. Robotics Research 32, 826-840). A decision whose margin stays small is flagged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from dieplat.registration.stage import CLEAR_COST
from dieplat.values.offsets import Hypothesis, PairOffsets

DECIDED_MARGIN = 30.0
"""Lead of a cluster's best place over the second, in nats, that counts as decided. A pair that shows nothing but a
lattice can favour a wrong place of it by 20 (phantoms without grain); what is there once only leads by hundreds."""
MISFIT_SIGMA_PX = 0.4
"""Scatter of a place as seen by different pairs of the same two clusters."""
OUTLIER_COST = 25.0
"""A pair that supports none of the places offered costs no more than this: it may simply be wrong."""
SAME_PLACE_PX = 1.5
MOST_ALTERNATIVES = 12
SETTLING_SWEEPS = 8
GROUP_SIZE = 4
MOST_GROUPS = 600
UNLIKELY_STAGE_COST = 8.0
"""A clear pair this far from the stage model (about 6 sigma) waits for the votes of others."""

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Choice:
    """The outcome: one hypothesis (or None) for every pair, and what stays open.

    `alternatives` maps a tile to further shifts (dx, dy) of it that cannot be told apart; `component` and `firm` hold,
    for every tile, the cluster that any content, and that pairs without a rival, tie it to.
    """

    chosen: tuple[Hypothesis | None, ...]
    start_px: tuple[tuple[float, float], ...]
    component: tuple[int, ...]
    firm: tuple[int, ...]
    alternatives: dict[int, tuple[tuple[float, float], ...]]


@dataclass(slots=True)
class _Clusters:
    """Union of tiles with known relative places."""

    root: list[int]
    place: list[tuple[float, float]]
    members: dict[int, list[int]] = field(default_factory=dict)

    def join(self, a: int, b: int, dx: float, dy: float) -> None:
        """Merge the clusters of tiles a and b, b lying (dx, dy) from a."""
        ra, rb = self.root[a], self.root[b]
        if len(self.members[ra]) < len(self.members[rb]):
            a, b, dx, dy, ra, rb = b, a, -dx, -dy, rb, ra
        shift_x = self.place[a][0] + dx - self.place[b][0]
        shift_y = self.place[a][1] + dy - self.place[b][1]
        for tile in self.members.pop(rb):
            self.root[tile] = ra
            self.place[tile] = (self.place[tile][0] + shift_x, self.place[tile][1] + shift_y)
            self.members[ra].append(tile)


@dataclass(frozen=True, slots=True)
class _Decision:
    """The best translation of cluster b against cluster a (in their own frames), its margin and its rivals."""

    shift: tuple[float, float]
    margin: float
    rivals: tuple[tuple[float, float], ...]


def choose(tiles: int, pairs: Sequence[PairOffsets], *, sigma_px: tuple[float, float]) -> Choice:
    """Choose one hypothesis for every pair so that all agree.

    Parameters
    ----------
    tiles : int
        Number of tiles.
    pairs : sequence of PairOffsets
        Measured pairs; those without hypotheses only carry the stage's prediction.
    sigma_px : tuple of float
        Scatter of single stage steps (x, y).
    """
    clusters = _Clusters(list(range(tiles)), [(0.0, 0.0)] * tiles, {i: [i] for i in range(tiles)})
    _join_clear(clusters, pairs, sigma_px)
    firm = tuple(clusters.root)
    atoms = [list(members) for members in clusters.members.values()]
    _join_by_votes(clusters, pairs, sigma_px)
    component = tuple(clusters.root)
    open_shifts = _settle(clusters, atoms, pairs, sigma_px)
    _join_by_stage(clusters, pairs)
    chosen = tuple(_chosen(pair, clusters) for pair in pairs)
    return Choice(chosen, tuple(clusters.place), component, firm, open_shifts)


def _stage_cost(dx: Numbers, dy: Numbers, sigma_px: tuple[float, float]) -> Numbers:
    """Negative log-likelihood of a departure from the stage model: Student's t with five degrees of freedom."""
    z2 = (dx / sigma_px[0]) ** 2 + (dy / sigma_px[1]) ** 2
    return np.asarray(3.5 * np.log1p(z2 / 5.0))


def _own_stage_cost(pair: PairOffsets, sigma_px: tuple[float, float]) -> float:
    best = pair.hypotheses[0]
    dx, dy = best.dx_px - pair.predicted_px[0], best.dy_px - pair.predicted_px[1]
    return float(_stage_cost(np.asarray(dx), np.asarray(dy), sigma_px))


def _join_clear(clusters: _Clusters, pairs: Sequence[PairOffsets], sigma_px: tuple[float, float]) -> None:
    """Merge along pairs without a rival, the most trustworthy first."""

    def doubt(pair: PairOffsets) -> float:
        return _own_stage_cost(pair, sigma_px) - 6.0 * pair.hypotheses[0].correlation

    clear = [
        pair for pair in pairs if pair.hypotheses and all(rival.cost >= CLEAR_COST for rival in pair.hypotheses[1:])
    ]
    for pair in sorted(clear, key=doubt):
        best = pair.hypotheses[0]
        unlikely = _own_stage_cost(pair, sigma_px) > UNLIKELY_STAGE_COST
        if clusters.root[pair.a] != clusters.root[pair.b] and not unlikely:
            clusters.join(pair.a, pair.b, best.dx_px, best.dy_px)


def _join_by_votes(clusters: _Clusters, pairs: Sequence[PairOffsets], sigma_px: tuple[float, float]) -> None:
    """Merge clusters by their most certain common decision until no pair with content joins two of them."""
    between = _pairs_between(clusters, pairs)
    decisions = {key: _decide(clusters, links, sigma_px) for key, links in between.items()}
    while decisions:
        key = max(decisions, key=lambda k: (decisions[k].margin, -k[0], -k[1]))
        decision, first = decisions[key], between[key][0]
        base = np.subtract(clusters.place[first.b], clusters.place[first.a])
        clusters.join(first.a, first.b, float(base[0]) + decision.shift[0], float(base[1]) + decision.shift[1])
        touched = set(key)
        between = _pairs_between(clusters, pairs)
        decisions = {
            k: decisions[k] if k in decisions and not touched & set(k) else _decide(clusters, links, sigma_px)
            for k, links in between.items()
        }


def _settle(
    clusters: _Clusters,
    atoms: Sequence[Sequence[int]],
    pairs: Sequence[PairOffsets],
    sigma_px: tuple[float, float],
) -> dict[int, tuple[tuple[float, float], ...]]:
    """Judge every cluster of clear pairs once more against all its neighbours, and move it where they agree better.

    Iterated conditional modes (Besag 1986, J. Royal Statistical Society B 48, 259-302), over single clusters and over
    connected groups of them, since neighbours fooled together must move together. What remains open at the end is
    returned: tile to further shifts that cannot be told from the chosen place.
    """
    biggest = max(atoms, key=len)
    touching: list[list[PairOffsets]] = [[] for _ in clusters.root]
    for pair in pairs:
        if pair.hypotheses:
            touching[pair.a].append(pair)
            touching[pair.b].append(pair)
    groups = _groups([atom for atom in atoms if atom is not biggest], touching)
    for _ in range(SETTLING_SWEEPS):
        moved = False
        for group in groups:
            decision = _judge(clusters, group, touching, sigma_px)
            if decision is not None and max(map(abs, decision.shift)) > SAME_PLACE_PX:
                moved = True
                for tile in group:
                    x, y = clusters.place[tile]
                    clusters.place[tile] = (x + decision.shift[0], y + decision.shift[1])
        if not moved:
            break
    shifts: dict[int, tuple[tuple[float, float], ...]] = {}
    for group in groups:
        decision = _judge(clusters, group, touching, sigma_px)
        if decision is None or not decision.rivals:
            continue
        for tile in group:
            known = shifts.get(tile, ())
            shifts[tile] = (*known, *(r for r in decision.rivals if r not in known))[:MOST_ALTERNATIVES]
    return shifts


def _groups(loose: Sequence[Sequence[int]], touching: Sequence[Sequence[PairOffsets]]) -> list[list[int]]:
    """Connected groups of up to `GROUP_SIZE` loose clusters, as tiles; the smallest first, at most `MOST_GROUPS`."""
    number = {tile: i for i, atom in enumerate(loose) for tile in atom}
    near = [
        {number[t] for tile in atom for p in touching[tile] for t in (p.a, p.b) if t in number} - {i}
        for i, atom in enumerate(loose)
    ]
    level = [frozenset([i]) for i in range(len(loose))]
    found = list(level)
    for _ in range(GROUP_SIZE - 1):
        grown = {group | {j} for group in level for i in group for j in near[i] if j not in group}
        level = sorted(grown, key=sorted)
        if len(found) + len(level) > MOST_GROUPS:
            break
        found += level
    return [sorted(tile for i in group for tile in loose[i]) for group in found]


def _judge(
    clusters: _Clusters,
    group: Sequence[int],
    touching: Sequence[Sequence[PairOffsets]],
    sigma_px: tuple[float, float],
) -> _Decision | None:
    """Decide the shift of a group of tiles against all tiles of its cluster that surround it."""
    inside = set(group)
    links = [
        pair if pair.b in inside else _reversed(pair)
        for tile in group
        for pair in touching[tile]
        if (pair.a in inside) != (pair.b in inside) and clusters.root[pair.a] == clusters.root[pair.b]
    ]
    return _decide(clusters, links, sigma_px) if links else None


def _pairs_between(clusters: _Clusters, pairs: Sequence[PairOffsets]) -> dict[tuple[int, int], list[PairOffsets]]:
    """Pairs with content that join two clusters, by the roots (of a's cluster, of b's), each oriented alike."""
    between: dict[tuple[int, int], list[PairOffsets]] = {}
    for pair in pairs:
        ra, rb = clusters.root[pair.a], clusters.root[pair.b]
        if ra == rb or not pair.hypotheses:
            continue
        if (rb, ra) in between or (rb < ra and (ra, rb) not in between):
            between.setdefault((rb, ra), []).append(_reversed(pair))
        else:
            between.setdefault((ra, rb), []).append(pair)
    return between


def _reversed(pair: PairOffsets) -> PairOffsets:
    turned = tuple(replace(h, dx_px=-h.dx_px, dy_px=-h.dy_px) for h in pair.hypotheses)
    return PairOffsets(pair.b, pair.a, turned, (-pair.predicted_px[0], -pair.predicted_px[1]))


def _decide(clusters: _Clusters, links: Sequence[PairOffsets], sigma_px: tuple[float, float]) -> _Decision:
    """Let every pair between two clusters vote on the shift of b's frame against a's."""
    base = np.array([np.subtract(clusters.place[p.b], clusters.place[p.a]) for p in links])
    offered = [
        np.array([(h.dx_px - x, h.dy_px - y, h.cost) for h in pair.hypotheses])
        for (x, y), pair in zip(base, links, strict=True)
    ]
    places = _distinct(np.concatenate(offered)[:, :2])
    content = np.zeros(len(places))
    stage = np.zeros(len(places))
    predicted = np.array([p.predicted_px for p in links])
    for (x, y), wanted, rows in zip(base, predicted, offered, strict=True):
        misfit2 = ((places[:, None, :] - rows[None, :, :2]) ** 2).sum(axis=2)
        content += np.minimum((rows[:, 2] + misfit2 / (2 * MISFIT_SIGMA_PX**2)).min(axis=1), OUTLIER_COST)
        stage += _stage_cost(places[:, 0] + x - wanted[0], places[:, 1] + y - wanted[1], sigma_px)
    # Neighbouring steps share the error of the tile between them: count at most three as independent.
    costs = content + stage * min(len(links), 3) / len(links)
    order = np.argsort(costs, kind="stable")
    best = int(order[0])
    rivals = [int(i) for i in order[1:] if costs[i] - costs[best] < DECIDED_MARGIN][:MOST_ALTERNATIVES]
    second = float(costs[order[1]]) if len(order) > 1 else OUTLIER_COST * (1 + len(links))
    # A lone place that costs much itself is a weak decision: others may settle first.
    margin = second - 2 * float(costs[best])
    shifts = tuple((float(places[i][0] - places[best][0]), float(places[i][1] - places[best][1])) for i in rivals)
    return _Decision((float(places[best][0]), float(places[best][1])), margin, shifts)


def _distinct(places: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Places without those that repeat an earlier one within `SAME_PLACE_PX`."""
    kept: list[npt.NDArray[np.float64]] = []
    for place in places:
        if not kept or np.abs(np.array(kept) - place).max(axis=1).min() >= SAME_PLACE_PX:
            kept.append(place)
    return np.array(kept)


def _join_by_stage(clusters: _Clusters, pairs: Sequence[PairOffsets]) -> None:
    """Tiles that no content joins take the stage's prediction, averaged over the pairs between two clusters."""
    while True:
        between: dict[tuple[int, int], list[PairOffsets]] = {}
        for pair in pairs:
            ra, rb = clusters.root[pair.a], clusters.root[pair.b]
            if ra != rb:
                key = (min(ra, rb), max(ra, rb))
                between.setdefault(key, []).append(pair if key == (ra, rb) else _reversed(pair))
        if not between:
            return
        key = max(between, key=lambda k: (len(between[k]), -k[0], -k[1]))
        shifts = np.array(
            [
                (
                    p.predicted_px[0] - clusters.place[p.b][0] + clusters.place[p.a][0],
                    p.predicted_px[1] - clusters.place[p.b][1] + clusters.place[p.a][1],
                )
                for p in between[key]
            ]
        ).mean(axis=0)
        first = between[key][0]
        ax, ay = clusters.place[first.a]
        bx, by = clusters.place[first.b]
        clusters.join(first.a, first.b, bx - ax + float(shifts[0]), by - ay + float(shifts[1]))


def _chosen(pair: PairOffsets, clusters: _Clusters) -> Hypothesis | None:
    """The hypothesis nearest to the places chosen, if one is near; None says that the pair is not to be used."""
    dx = clusters.place[pair.b][0] - clusters.place[pair.a][0]
    dy = clusters.place[pair.b][1] - clusters.place[pair.a][1]
    near = [h for h in pair.hypotheses if np.hypot(h.dx_px - dx, h.dy_px - dy) < 2 * SAME_PLACE_PX]
    return min(near, key=lambda h: float(np.hypot(h.dx_px - dx, h.dy_px - dy)), default=None)
