"""One adjustment of positions and lens together, and the choice among models of the lens.

Unknown are all positions, k1 and k2; observed are the offsets of whole overlaps, and how those of windows differ along
an overlap. The whole overlaps place the tiles; the windows, which have nothing to do with where a tile lies, tell the
lens; solved as one system, the covariance of the positions contains what the lens leaves open, which is common to all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import hyp1f1

from dieplat.registration.optics import radial_changes
from dieplat.registration.shared_noise import NO_COUPLING, Coupling
from dieplat.registration.solve import (
    HUBER_SIGMA,
    MEDIAN_CHI2,
    Common,
    Solution,
    geman_mcclure,
    huber,
    solve_positions,
)
from dieplat.values.correction import Lens

Numbers = npt.NDArray[np.float64]
Model = Literal["none", "k1", "k1 and k2"]

FEWEST_WINDOWS = 3
"""Windows of a pair that are of use: two of them cannot tell an odd one."""
FEWEST_NUMBERS = 24
EVIDENT = 10.0
"""Difference of the criterion that is 'very strong' evidence (Kass and Raftery 1995, J. Am. Stat. Ass. 90, 773-795)."""
LEAST_SHIFT_PX = 0.02
"""A distortion that moves no pixel of a tile by this much is not worth resampling for."""
WIDTH_SIGMA = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """What windows along overlaps say of k1 and k2: normal equations with the scatter of the windows as unit.

    `numbers` counts the independent values; `turned` is the evidence (in the criterion's units) that tiles are turned
    against one another, and `turn_deg` by how much neighbours are, as a root mean square.
    """

    normal: Numbers
    side: Numbers
    numbers: int
    variance_factor: float
    turned: float
    turn_deg: float


@dataclass(frozen=True, slots=True)
class LensChoice:
    """Which model of the lens was chosen: its parameters, their covariance, and the criterion of every model.

    `criteria` are differences to the best, `shift_px` is the farthest that the full model moves a pixel of a tile.
    `k1_left_u` is what a k1 of zero is expected to be off by, see `expected_size`.
    """

    model: Model
    k: tuple[float, float]
    criteria: Mapping[Model, float]
    shift_px: float
    k1_left_u: float


def windows_of(along: Sequence[Numbers], *, present: Lens | None, norm_px: float) -> Windows:
    """Normal equations of what is left of k1 and k2, from rows of `optics.offsets_along` of several pairs.

    Every pair has an offset of its own, which is eliminated. Cauchy-like weights as in `solve`; the unit of weight is
    the scatter of the windows about the fit.
    """
    useful = [rows for rows in along if len(rows) > FEWEST_WINDOWS]
    nothing = Windows(np.zeros((2, 2)), np.zeros(2), 0, 1.0, 0.0, 0.0)
    if not useful:
        return nothing
    rows = np.concatenate([each[1:] for each in useful])
    pair = np.repeat(np.arange(len(useful)), [len(each) - 1 for each in useful])
    numbers = 2 * (len(rows) - len(useful))
    if numbers < FEWEST_NUMBERS:
        return nothing
    inverse = _inverse(rows[:, 2:5])
    change = lens_change(rows, present=present, norm_px=norm_px)
    weight = np.ones(len(rows))
    scale2 = 1.0
    for iteration in range(12):
        design, seen, root = _about_pairs(rows[:, :2], change, inverse * weight[:, None, None], pair)
        k = np.linalg.lstsq(_flat(root @ design), _flat(root @ seen[..., None])[:, 0], rcond=None)[0]
        residual = seen - design @ k
        z2 = np.einsum("ni,nij,nj->n", residual, inverse, residual)
        # The pairs' own offsets take up a part of the scatter.
        scale2 = float(np.median(z2)) / MEDIAN_CHI2 * 2 * len(rows) / numbers
        wide = geman_mcclure(z2, WIDTH_SIGMA**2 * scale2 * (4.0 if iteration < 4 else 1.0))
        weight = wide if iteration < 8 else huber(z2, HUBER_SIGMA**2 * scale2) * (z2 < WIDTH_SIGMA**2 * scale2)
    # Never below what is stated: what pictures do to all windows alike does not show in their scatter.
    factor = max(float((weight * z2).sum()) / max(numbers - 2, 1), scale2, 1.0)
    flat = _flat(root @ design)
    normal = flat.T @ flat / factor
    side = flat.T @ _flat(root @ seen[..., None])[:, 0] / factor
    turned, turn_deg = _turned(useful, residual, rows, inverse * (weight / factor)[:, None, None], pair)
    return Windows(normal, side, numbers, factor, turned, turn_deg)


def lens_change(rows: Numbers, *, present: Lens | None, norm_px: float) -> Numbers:
    """Change (n, 2, 2) of offsets (x, y) per unit of k1 and k2, about the lens that the pictures are rid of already.

    In a straightened picture a further k moves a place by its share only of what it does in a bent one: the chain
    rule through r (1 + k1 r^2 + k2 r^4), taken at the middle of the window.
    """
    change = np.stack([rows[:, 5:7], rows[:, 7:9]], axis=-1)
    if present is None:
        return change
    px, py = rows[:, 10], -rows[:, 9]
    less = np.zeros_like(change)
    for x, y, sign in ((px, py, 1.0), (px - rows[:, 0], py - rows[:, 1], -1.0)):
        r2 = (x * x + y * y) / norm_px**2
        share = 1 / (1 + 3 * present.k1 * r2 + 5 * present.k2 * r2 * r2) - 1
        less += (
            sign
            * np.stack([np.stack([r2 * x, r2 * y], -1), np.stack([r2 * r2 * x, r2 * r2 * y], -1)], -1)
            * (share[:, None, None])
        )
    return change + less


def _inverse(cov: Numbers) -> Numbers:
    xx, xy, yy = cov.T
    inverse = np.stack([np.stack([yy, -xy], axis=-1), np.stack([-xy, xx], axis=-1)], axis=-2)
    return np.asarray(inverse / (xx * yy - xy * xy)[:, None, None], dtype=np.float64)


def _flat(values: Numbers) -> Numbers:
    return values.reshape(-1, values.shape[-1])


def _about_pairs(
    seen: Numbers, change: Numbers, weight: Numbers, pair: npt.NDArray[np.intp]
) -> tuple[Numbers, Numbers, Numbers]:
    """Changes and offsets less their weighted means over the pair, and roots of the weights."""
    pairs = int(pair.max()) + 1
    both = np.concatenate([change, seen[..., None]], axis=-1)
    total = np.zeros((pairs, 2, 2))
    mean = np.zeros((pairs, 2, both.shape[-1]))
    np.add.at(total, pair, weight)
    np.add.at(mean, pair, weight @ both)
    # A pair whose windows are all thrown out has no weight left, and no mean that matters.
    about = both - np.linalg.solve(total + 1e-12 * np.eye(2), mean)[pair]
    root = np.asarray(np.linalg.cholesky(weight + 1e-12 * np.eye(2)).transpose(0, 2, 1), dtype=np.float64)
    return about[..., :-1], about[..., -1], root


def _turned(
    useful: Sequence[Numbers], residual: Numbers, rows: Numbers, weight: Numbers, pair: npt.NDArray[np.intp]
) -> tuple[float, float]:
    """Evidence that neighbours are turned against one another, and by how much (root mean square, degrees).

    One angle a pair: the fall of chi-square less what the criterion charges for as many parameters.
    """
    design, seen, root = _about_pairs(residual, rows[:, 9:11, None], weight, pair)
    lever = (root @ design)[..., 0]
    value = (root @ seen[..., None])[..., 0]
    along = np.bincount(pair, (lever * value).sum(axis=1))
    normal = np.bincount(pair, (lever * lever).sum(axis=1))
    angle = along / np.maximum(normal, 1e-12)
    fall = float((along * angle).sum())
    numbers = 2 * (len(rows) - len(useful))
    noise = 1 / np.maximum(normal, 1e-12)
    square = float(np.mean(angle**2 - noise))
    return fall - len(useful) * math.log(numbers), math.degrees(math.sqrt(max(square, 0.0)))


def choose_lens(
    k: Numbers, cov: Numbers, *, numbers: int, norm_px: float, present: tuple[float, float] = (0.0, 0.0)
) -> LensChoice:
    """Of no distortion, k1, and k1 with k2, the model that Schwarz's criterion prefers.

    Parameters
    ----------
    k, cov : ndarrays of shape (2,) and (2, 2)
        What is left of k1 and k2 in the pictures, from the full model, and its covariance.
    numbers : int
        Independent numbers that the fit rests on.
    present : tuple of float
        k1 and k2 that the pictures are rid of already.

    Notes
    -----
    The criterion is the misfit (chi-square) plus the number of parameters times the logarithm of the number of
    observations (Schwarz 1978, Annals of Statistics 6, 461-464). In a linear model the misfit grows by q' C^-1 q when
    parameters with estimates q and covariance C are set to zero, so one fit is enough for all three models. A larger
    model must be better by `EVIDENT`, and move a pixel noticeably.
    """
    total = k + np.array(present)
    cost = math.log(max(numbers, 2))
    without_k2 = total[1] ** 2 / cov[1, 1]
    criteria: dict[Model, float] = {
        "none": float(total @ np.linalg.solve(cov, total)),
        "k1": float(without_k2) + cost,
        "k1 and k2": 2 * cost,
    }
    best = min(criteria.values())
    of_k1 = (float(total[0] - cov[0, 1] / cov[1, 1] * total[1]), 0.0)
    both = (float(total[0]), float(total[1]))
    model: Model = "none"
    if min(criteria["k1"], criteria["k1 and k2"]) + EVIDENT < criteria["none"]:
        model = "k1 and k2" if criteria["k1 and k2"] + EVIDENT < criteria["k1"] else "k1"
    chosen = {"none": (0.0, 0.0), "k1": of_k1, "k1 and k2": both}[model]
    if model != "none" and largest_shift(chosen, norm_px) < LEAST_SHIFT_PX:
        model, chosen = "none", (0.0, 0.0)
    relative: dict[Model, float] = {name: value - best for name, value in criteria.items()}
    k1_left_u = expected_size(of_k1[0], math.sqrt(max(cov[0, 0] - cov[0, 1] ** 2 / cov[1, 1], 0.0)))
    return LensChoice(model, chosen, relative, largest_shift(both, norm_px), k1_left_u)


def expected_size(estimate: float, u: float) -> float:
    """Root mean square of what a quantity may be, given its estimate and that one's standard uncertainty.

    It is the uncertainty of taking it for zero (JCGM 100, F.2.4.5: a correction that is known but not made). Before
    anything was measured it is normal about zero with a variance that has Jeffreys' prior (Box and Tiao 1973, Bayesian
    Inference in Statistical Analysis, 5.2, from memory): s = u^2 / (u^2 + variance) has a density as 1 / s. Given s,
    the square expected is u^2 (1 - s) + estimate^2 (1 - s)^2, and s goes with s^(-1/2) exp(-s estimate^2 / 2 u^2).
    """
    if not u > 0.0:
        return abs(estimate)
    z2 = (estimate / u) ** 2
    moments = [float(hyp1f1(j + 0.5, j + 1.5, -0.5 * z2)) / (j + 0.5) for j in range(3)]
    first, second = moments[1] / moments[0], moments[2] / moments[0]
    return u * math.sqrt(1.0 - first + z2 * (1.0 - 2.0 * first + second))


def in_words(choice: LensChoice | None, windows: Windows, norm_px: float) -> tuple[str, ...]:
    """What was decided about the lens and why, and whether tiles are turned against one another."""
    if choice is None:
        return ("Lens: the overlaps show too little to tell its distortion; none is taken out.",)
    better = {name: value - choice.criteria[choice.model] for name, value in choice.criteria.items()}
    if choice.model == "none":
        least = min(better["k1"], better["k1 and k2"])
        if least + EVIDENT < 0:
            note = f"evident, but it moves no pixel by {LEAST_SHIFT_PX:g} px"
        else:
            note = f"not evident (Schwarz's criterion changes by {least:+.1f}; {-EVIDENT:+.0f} is asked for)"
        said = f"Lens: distortion is {note}; none is taken out."
    else:
        left_out = "" if choice.model == "k1 and k2" else f", k2 left out (with it {better['k1 and k2']:+.1f})"
        said = (
            f"Lens: {choice.model} taken out: without, Schwarz's criterion is worse by {better['none']:.0f}{left_out}; "
            f"it moves a pixel by up to {largest_shift(choice.k, norm_px):.2f} px."
        )
    if windows.turned <= EVIDENT:
        return (said,)
    return (said, f"Neighbouring tiles are turned against one another by {windows.turn_deg:.3f} deg: the camera moved.")


def largest_shift(k: tuple[float, float], norm_px: float) -> float:
    """The farthest that a distortion moves any pixel of a tile."""
    r = np.linspace(0, 1, 65)
    return float(np.abs(k[0] * r**3 + k[1] * r**5).max() * norm_px)


def further_shift(lens: Lens, present: Lens) -> float:
    """The farthest that a lens moves any pixel beyond where another does."""
    return largest_shift((lens.k1 - present.k1, lens.k2 - present.k2), lens.norm_px)


@dataclass(frozen=True, slots=True, eq=False)
class Adjustment:
    """Positions with what goes with them, the lens in full, and how that was decided.

    The lens is None if the overlaps cannot tell it; if none is evident, it bends nothing and states what may be left.

    `left` (2,) is what the lens has more than the pictures are rid of already; offsets measured in them are to be
    corrected by `change @ left`.
    """

    solution: Solution
    lens: Lens | None
    left: Numbers
    choice: LensChoice | None


def adjust(
    tiles: int,
    pairs: npt.NDArray[np.intp],
    offsets_px: Numbers,
    cov_px2: Numbers,
    start_px: Numbers,
    *,
    rejectable: npt.NDArray[np.bool_],
    change: Numbers,
    windows: Windows,
    norm_px: float,
    present: Lens | None = None,
    coupling: Coupling = NO_COUPLING,
) -> Adjustment:
    """Positions and lens in one least-squares system; see `solve.solve_positions` for the first parameters.

    Parameters
    ----------
    change : ndarray of shape (P, 2, 2)
        Change (x, y) of every offset per unit of k1 and k2.
    windows : Windows
        What windows say of what is left of k1 and k2.
    norm_px : float
        Half diagonal of a tile.
    present : Lens, optional
        What the pictures are rid of already.
    coupling : Coupling, optional
        Which pairs share noise.
    """
    had = np.array([present.k1, present.k2]) if present is not None else np.zeros(2)
    choice: LensChoice | None = None
    free = 0
    left = -had
    if windows.numbers:
        everything = Common(change, windows.normal, windows.side)
        full = solve_positions(tiles, pairs, offsets_px, cov_px2, start_px, rejectable=rejectable, common=everything)
        numbers = windows.numbers + 2 * int(full.used.sum())
        choice = choose_lens(full.common, full.common_cov, numbers=numbers, norm_px=norm_px, present=(had[0], had[1]))
        free = {"none": 0, "k1": 1, "k1 and k2": 2}[choice.model]
    fixed = np.where(np.arange(2) < free, 0.0, left)
    solution = solve_positions(
        tiles,
        pairs,
        offsets_px - change @ fixed,
        cov_px2,
        start_px,
        rejectable=rejectable,
        common=Common(change[..., :free], windows.normal[:free, :free], (windows.side - windows.normal @ fixed)[:free]),
        coupling=coupling,
    )
    left = fixed.copy()
    left[:free] = solution.common
    if not free:
        untouched = None if choice is None else Lens(0.0, 0.0, norm_px, k1_u=choice.k1_left_u)
        return Adjustment(solution, untouched, left, choice)
    cov = np.zeros((2, 2))
    cov[:free, :free] = solution.common_cov
    k1, k2 = (had + left).tolist()
    lens = Lens(k1, k2, norm_px, math.sqrt(cov[0, 0]), math.sqrt(cov[1, 1]), float(cov[0, 1]))
    return Adjustment(solution, lens, left, choice)


def even_change(offset_px: tuple[float, float], shape: tuple[int, int]) -> Numbers:
    """Change (2, 2) of the offset of a whole overlap per unit of k1 and k2, every pixel of it counted alike."""
    height, width = shape
    dx, dy = offset_px
    parts = (np.arange(9) + 0.5) / 9
    x = max(0.0, dx) + (width - abs(dx)) * parts - width / 2
    y = max(0.0, dy) + (height - abs(dy)) * parts - height / 2
    px, py = np.meshgrid(x, y)
    first, second = radial_changes(px, py, dx, dy, math.hypot(width, height) / 2)
    return np.array([[first[0].mean(), second[0].mean()], [first[1].mean(), second[1].mean()]])
