"""From chosen offsets to a layout: the least-squares system, who placed each tile, what is left open."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components
from scipy.special import stdtrit

from dieplat.registration.bundle import adjust, even_change, in_words, lens_change, windows_of
from dieplat.registration.choose import Choice
from dieplat.registration.shared_noise import shared_noise
from dieplat.registration.solve import Solution
from dieplat.registration.stage import is_clear
from dieplat.values.correction import USUAL_K1_U, Lens
from dieplat.values.layout import Layout, PairLink, PlacedBy, PlacedTile
from dieplat.values.offsets import PairOffsets, StageModel
from dieplat.values.tiles import TileSet

MODEL_PARAMETERS = 3
"""Of the stage model along either axis: two steps and the backlash."""
UNTOLD_PX = 0.05
"""Residuals (rms) beyond which overlaps contradict one another: 28 phantoms of 14 kinds stay below 0.005."""
UNSEEN_PX = 0.0006
"""Error of an offset that its pixels do not show: interpolation, compression and the like (phantoms without noise)."""


@dataclass(frozen=True, slots=True)
class Tie:
    """A user's tie: b's corner lies (dx, dy) from a's, by tile index, with standard uncertainty u."""

    a: int
    b: int
    dx_px: float
    dy_px: float
    u_px: float


@dataclass(frozen=True, slots=True, eq=False)
class _System:
    """The rows of the least-squares system, and which of them are pictures' offsets rather than the stage's."""

    pairs: npt.NDArray[np.intp]
    offsets: npt.NDArray[np.float64]
    cov: npt.NDArray[np.float64]
    noise_part: npt.NDArray[np.float64]
    change: npt.NDArray[np.float64]
    from_pictures: npt.NDArray[np.bool_]


def _system(
    tile_set: TileSet,
    offsets: Sequence[PairOffsets],
    choice: Choice,
    model: StageModel,
    changes: npt.NDArray[np.float64],
) -> _System:
    """Chosen hypotheses; where they leave parts unjoined, the stage's predictions join them."""
    chosen_pairs = [(o.a, o.b) for o, chosen in zip(offsets, choice.chosen, strict=True) if chosen is not None]
    label = _parts(len(choice.start_px), np.array(chosen_pairs, dtype=np.intp).reshape(-1, 2))
    stated = Counter(
        label[tile]
        for offset, chosen in zip(offsets, choice.chosen, strict=True)
        if chosen is None and label[offset.a] != label[offset.b]
        for tile in (offset.a, offset.b)
    )
    few = _widening(model.pairs_used)
    rows = []
    used = []
    for index, (offset, chosen) in enumerate(zip(offsets, choice.chosen, strict=True)):
        if chosen is not None:
            xx, xy, yy = chosen.cov_px2
            within = sum(tile_set.tiles[tile].place_u_px ** 2 for tile in (offset.a, offset.b))
            cov = xx + UNSEEN_PX**2 + within, xy, yy + UNSEEN_PX**2 + within
            noise = (xx + yy) / (cov[0] + cov[2])
            rows.append((offset.a, offset.b, chosen.dx_px, chosen.dy_px, *cov, noise, True))
        elif label[offset.a] != label[offset.b]:
            # The k predictions of one tile share its own error e, which they must not average away: with errors of
            # e each at both ends of a step, e^2 (1 + 1/k) is left, and the step's scatter is e sqrt(2).
            wider = few**2 * (min(stated[label[offset.a]], stated[label[offset.b]]) + 1) / 2
            cov = wider * model.sigma_px[0] ** 2, 0.0, wider * model.sigma_px[1] ** 2
            rows.append((offset.a, offset.b, *offset.predicted_px, *cov, 0.0, False))
        else:
            continue
        used.append(index)
    data = np.array([row[:8] for row in rows], dtype=np.float64)
    return _System(
        data[:, :2].astype(np.intp),
        data[:, 2:4],
        data[:, 4:7],
        data[:, 7],
        changes[used],
        np.array([row[8] for row in rows], dtype=bool),
    )


def _widening(pairs: int) -> float:
    """By how much predictions scatter more than the residuals of the few steps that the stage model was fitted to.

    The prediction's own part, 1 + 3/n for its three parameters, and Student's quantile over the normal one, so that
    1.96 standard uncertainties are 95 % (JCGM 100, G.3).
    """
    freedom = max(pairs - MODEL_PARAMETERS, 1)
    return float(stdtrit(freedom, 0.975) / 1.96) * math.sqrt(1 + MODEL_PARAMETERS / max(pairs, 1))


def _parts(count: int, joined: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """Number of the connected part that every tile belongs to."""
    graph = sp.coo_matrix((np.ones(len(joined)), (joined[:, 0], joined[:, 1])), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.intp)


def assemble_layout(
    tile_set: TileSet,
    offsets: Sequence[PairOffsets],
    choice: Choice,
    model: StageModel,
    ties: Mapping[tuple[int, int], Tie],
    *,
    along: Mapping[tuple[int, int], npt.NDArray[np.float64]] | None = None,
    present: Lens | None = None,
) -> Layout:
    """Solve for all positions and the lens, and state of each tile what placed it, how well, and where else it may lie.

    `along` are rows of `optics.offsets_along` by pair, `present` is the lens that the pictures were rid of before.
    """
    tiles = tile_set.tiles
    norm = math.hypot(tile_set.width_px, tile_set.height_px) / 2
    along = along or {}
    windows = windows_of(
        [along[o.a, o.b] for o in offsets if (o.a, o.b) in along and is_clear(o)], present=present, norm_px=norm
    )
    changes = _changes(tile_set, offsets, along, ties, present)
    system = _system(tile_set, offsets, choice, model, changes)
    rejectable = system.from_pictures & np.array([tuple(map(int, p)) not in ties for p in system.pairs])
    start = np.array(choice.start_px)
    size_px = tile_set.width_px, tile_set.height_px
    adjustment = adjust(
        len(tiles),
        system.pairs,
        system.offsets,
        system.cov,
        start,
        rejectable=rejectable,
        change=system.change,
        windows=windows,
        norm_px=norm,
        present=present,
        coupling=shared_noise(system.pairs, start, size_px, np.where(rejectable, system.noise_part, 0.0)),
    )
    solution = adjustment.solution
    corner = solution.position_px - solution.position_px.min(axis=0)
    placed_by = _placed_by(len(tiles), system, solution, ties)
    placed = []
    for index, tile in enumerate(tiles):
        x, y = float(corner[index, 0]), float(corner[index, 1])
        shifts = choice.alternatives.get(index, ())
        u = solution.position_u_px[index]
        placed.append(
            PlacedTile(
                tile.name,
                x,
                y,
                float(u[0]),
                float(u[1]),
                placed_by[index],
                bool(shifts),
                tuple((x + dx, y + dy) for dx, dy in shifts),
            )
        )
    size = np.ceil(corner.max(axis=0) + np.array([tile_set.width_px, tile_set.height_px]) - 1e-6).astype(int)
    links, rms = _links(tile_set, offsets, choice, solution, system, changes @ adjustment.left)
    lens, notes = adjustment.lens, in_words(adjustment.choice, windows, norm)
    if adjustment.choice is None and rms > UNTOLD_PX:
        lens = Lens(0.0, 0.0, norm, k1_u=USUAL_K1_U)
        notes = (
            f"Lens: the overlaps show too little to tell its distortion, yet contradict one another by {rms:.2f} px, "
            f"as with one they would: none is taken out, and a k1 of 0 with a standard uncertainty of {USUAL_K1_U:g} "
            "goes into every uncertainty. More overlap would tell it.",
        )
        placed = _less_sure(placed, size_px, norm)
    return Layout(
        width_px=int(size[0]),
        height_px=int(size[1]),
        tile_width_px=tile_set.width_px,
        tile_height_px=tile_set.height_px,
        tiles=tuple(placed),
        pairs=links,
        skipped=tile_set.skipped,
        rms_residual_px=rms,
        lens=None if lens is None else asdict(lens),
        notes=notes,
    )


def _less_sure(placed: Sequence[PlacedTile], size_px: tuple[int, int], norm_px: float) -> list[PlacedTile]:
    """Tiles with what a lens that nobody could tell does to the distance from one to the next."""
    width, height = size_px
    stretch = np.array([width**2 / 4 + height**2 / 12, height**2 / 4 + width**2 / 12]) * USUAL_K1_U / norm_px**2
    middle = np.mean([(tile.x_px, tile.y_px) for tile in placed], axis=0)
    more = [np.abs(np.subtract((tile.x_px, tile.y_px), middle)) * stretch for tile in placed]
    return [
        replace(tile, x_px_u=math.hypot(tile.x_px_u, float(u[0])), y_px_u=math.hypot(tile.y_px_u, float(u[1])))
        for tile, u in zip(placed, more, strict=True)
    ]


def _changes(
    tile_set: TileSet,
    offsets: Sequence[PairOffsets],
    along: Mapping[tuple[int, int], npt.NDArray[np.float64]],
    ties: Mapping[tuple[int, int], Tie],
    present: Lens | None,
) -> npt.NDArray[np.float64]:
    """How every pair's offset changes with k1 and k2 (P, 2, 2); not at all for a tie."""
    shape = tile_set.height_px, tile_set.width_px
    norm = math.hypot(*shape) / 2
    changes = np.zeros((len(offsets), 2, 2))
    for index, offset in enumerate(offsets):
        key = offset.a, offset.b
        if key in ties:
            continue
        if key in along and len(along[key]):
            changes[index] = lens_change(along[key][:1], present=present, norm_px=norm)[0]
        else:
            best = offset.hypotheses[0] if offset.hypotheses else None
            changes[index] = even_change((best.dx_px, best.dy_px) if best else offset.predicted_px, shape)
    return changes


def _placed_by(count: int, system: _System, solution: Solution, ties: Mapping[tuple[int, int], Tie]) -> list[PlacedBy]:
    """`overlap` for the largest part that pictures join, `tie` for tiles of a tie, `stage` for the rest."""
    label = _parts(count, system.pairs[system.from_pictures & solution.used])
    main = int(np.bincount(label).argmax())
    tied = {tile for pair in ties for tile in pair}
    return ["tie" if i in tied else "overlap" if label[i] == main else "stage" for i in range(count)]


def _links(
    tile_set: TileSet,
    offsets: Sequence[PairOffsets],
    choice: Choice,
    solution: Solution,
    system: _System,
    bent_px: npt.NDArray[np.float64],
) -> tuple[tuple[PairLink, ...], float]:
    """Every measured pair, rid of the part `bent_px` (P, 2) that the lens still has in it, and how well it fits."""
    used = {
        (int(a), int(b))
        for (a, b), ok, seen in zip(system.pairs, solution.used, system.from_pictures, strict=True)
        if ok and seen
    }
    links = []
    squares = []
    position = solution.position_px
    for offset, chosen, bent in zip(offsets, choice.chosen, bent_px, strict=True):
        best = chosen or (offset.hypotheses[0] if offset.hypotheses else None)
        if best is None:
            continue
        dx, dy = best.dx_px - float(bent[0]), best.dy_px - float(bent[1])
        residual = float(np.hypot(*(position[offset.b] - position[offset.a] - (dx, dy))))
        keep = (offset.a, offset.b) in used
        if keep:
            squares.append(residual**2)
        names = tile_set.tiles[offset.a].name, tile_set.tiles[offset.b].name
        links.append(PairLink(*names, dx, dy, residual, keep))
    return tuple(links), float(np.sqrt(np.mean(squares))) if squares else 0.0


def layout_of_one(tile_set: TileSet) -> Layout:
    """The layout of a single tile."""
    tile = PlacedTile(tile_set.tiles[0].name, 0.0, 0.0, 0.0, 0.0, "overlap")
    width, height = tile_set.width_px, tile_set.height_px
    return Layout(width, height, width, height, (tile,), (), tile_set.skipped, 0.0)
