"""Which dips of a profile are the lines of one ruling, and which number each line has."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks

from dieplat.calibration.template import Template

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

FEWEST_LINES = 6
FINEST_PITCH_PX = 4.0
# A line may stand this part of a pitch off its place; a random dip does so in a quarter of all cases.
OFF_PLACE = 0.12
GOOD_SCORE = 0.6
LEVELS = (0.5, 0.2, 0.08, 0.03)
WIDTHS_PX = (1.0, 3.0, 8.0)


@dataclass(frozen=True, slots=True, eq=False)
class Lattice:
    """Line numbers as a smooth function of place: index = polynomial(column).

    `score` is the part of places that hold a line times the part of dips that are lines.
    """

    polynomial: np.polynomial.Polynomial
    score: float
    lines: int
    first_px: float
    last_px: float

    @property
    def span_px(self) -> float:
        """From the first line found to the last."""
        return self.last_px - self.first_px

    @property
    def pitch_px(self) -> float:
        """Mean distance of neighbouring lines over the span."""
        return self.span_px / abs(float(self.polynomial(self.last_px) - self.polynomial(self.first_px)))

    def places(self, divisions: int = 1) -> tuple[npt.NDArray[np.intp], Floats]:
        """Every whole index of the span and its column; `divisions` puts so many places in each pitch."""
        nodes = np.linspace(self.first_px, self.last_px, max(64, int(self.span_px)))
        index = self.polynomial(nodes) * divisions
        whole = np.arange(np.ceil(index[0] - 0.5), np.floor(index[-1] + 0.5) + 1)
        return whole.astype(np.intp), np.interp(whole, index, nodes)


def _fit(x: Floats, y: Floats, degree: int) -> np.polynomial.Polynomial:
    """Least squares by normal equations on -1..1: well conditioned up to a cubic, and quick."""
    middle, half = (x[0] + x[-1]) / 2.0, (x[-1] - x[0]) / 2.0
    powers = np.vander((x - middle) / half, degree + 1, increasing=True)
    values = np.linalg.solve(powers.T @ powers, powers.T @ y)
    return np.polynomial.Polynomial(values, domain=(x[0], x[-1]), window=(-1.0, 1.0))


def _follow(dips: Floats, pitch: float, seed: int) -> Lattice | None:
    """Number the dips outward from dip `seed`, at first with a constant pitch, later with a cubic.

    The range grows by half in each round, so that the curve is never extrapolated far; that lets a distorted
    picture be numbered without a slip, and gaps of any length be crossed.
    """
    polynomial = np.polynomial.Polynomial([-dips[seed] / pitch, 1.0 / pitch])
    reach, total = 4.5 * pitch, dips[-1] - dips[0]
    while True:
        near = dips[np.abs(dips - dips[seed]) <= reach]
        value = polynomial(near)
        index = np.rint(value)
        off = np.abs(value - index)
        order = np.lexsort((off, index))
        first = np.concatenate([[True], np.diff(index[order]) > 0])
        keep = np.sort(order[first & (off[order] < OFF_PLACE)])
        if len(keep) < 3:
            return None
        degree = 1 if len(keep) < 8 else 2 if len(keep) < 16 else 3
        fitted = _fit(near[keep], index[keep], degree)
        if reach > total:
            break
        polynomial, reach = fitted, reach * 1.5
    slots = index[keep[-1]] - index[keep[0]] + 1
    score = len(keep) / slots * len(keep) / len(dips)
    return Lattice(fitted, float(score), len(keep), float(near[keep[0]]), float(near[keep[-1]]))


def _candidate_pitches(dips: Floats) -> list[float]:
    """The commonest distances between dips one and two apart, within 6 %."""
    steps = np.concatenate([np.diff(dips), dips[2:] - dips[:-2]])
    steps = steps[steps >= FINEST_PITCH_PX * 0.9]
    # A few hundred distances are enough to find the common ones.
    steps = steps[:: max(1, len(steps) // 300)]
    found: list[float] = []
    while len(steps) and len(found) < 5:
        counts = (np.abs(steps[:, None] - steps[None, :]) < 0.06 * steps[:, None]).sum(axis=1)
        best = int(np.argmax(counts))
        near = np.abs(steps - steps[best]) < 0.06 * steps[best]
        found.append(float(np.median(steps[near])))
        steps = steps[~near]
    return found


def _number_dips(dips: Floats) -> Lattice | None:
    """The best numbering of these dips."""
    best: Lattice | None = None
    for pitch in _candidate_pitches(dips):
        close = np.flatnonzero(np.abs(np.diff(dips) - pitch) < 0.08 * pitch)
        if not len(close):
            close = np.flatnonzero(np.abs(dips[2:] - dips[:-2] - pitch) < 0.08 * pitch)
        if not len(close):
            continue
        for seed in np.unique(close[(np.array([0.2, 0.5, 0.8]) * (len(close) - 1)).astype(int)]):
            found = _follow(dips, pitch, int(seed))
            if found is not None and (best is None or found.score > best.score):
                best = found
                if best.score > 0.9:
                    return best
    return best


def lattices_of(profile: Floats, valid: Bools) -> list[Lattice]:
    """Every well-supported numbering of a profile's dips and humps, at several widths and strengths.

    Strong lines alone (every tenth, say) may make a good numbering too; the caller takes the finest.
    """
    if valid.sum() < 8 * FINEST_PITCH_PX:
        return []
    noise = 1.4826 * float(np.median(np.abs(np.diff(profile[valid])))) / np.sqrt(2.0)
    found: list[Lattice] = []
    for width in WIDTHS_PX:
        smooth = gaussian_filter1d(profile, width)
        floor = 4.0 * noise / np.sqrt(2.0 * np.sqrt(np.pi) * width)
        for sign in (-1.0, 1.0):
            dips, facts = find_peaks(sign * smooth, prominence=max(floor, 1e-9))
            inside = valid[dips]
            dips, strength = dips[inside].astype(np.float64), facts["prominences"][inside]
            if len(dips) < FEWEST_LINES:
                continue
            last = 0
            # The strength of the fifth strongest, so that one scratch does not set the levels.
            top = float(np.sort(strength)[-5])
            for level in LEVELS:
                chosen = dips[strength >= level * top]
                if len(chosen) == last or not FEWEST_LINES <= len(chosen) <= 1000:
                    continue
                last = len(chosen)
                lattice = _number_dips(chosen)
                if lattice is not None and lattice.score >= GOOD_SCORE and lattice.lines >= FEWEST_LINES:
                    found.append(lattice)
    return found


def from_fine_to_coarse(candidates: list[Lattice]) -> list[Lattice]:
    """The best numbering of each distinct pitch, finest first, of those that span half of the widest one."""
    usable = [item for item in candidates if item.pitch_px >= FINEST_PITCH_PX]
    widest = max((item.span_px for item in usable), default=0.0)
    left = sorted((item for item in usable if item.span_px >= 0.5 * widest), key=lambda item: item.pitch_px)
    chosen: list[Lattice] = []
    while left:
        alike = [item for item in left if item.pitch_px < 1.03 * left[0].pitch_px]
        chosen.append(max(alike, key=lambda item: item.score * item.lines))
        left = left[len(alike) :]
    return chosen


def uneven_classes(index: npt.NDArray[np.intp]) -> bool:
    """Whether lines stand only at every second, third or fifth place: the pitch is then too fine."""
    span = np.arange(index.min(), index.max() + 1)
    for divisor in (2, 3, 5):
        if len(span) < 2 * divisor:
            continue
        there = np.bincount(index % divisor, minlength=divisor)
        share = there / np.bincount(span % divisor, minlength=divisor)
        if share.min() < 0.34 * share.max():
            return True
    return False


def hidden_divisions(profile: Floats, lattice: Lattice, template: Template) -> int:
    """How many finer divisions each pitch holds whose lines are too faint to be found one by one.

    Averages the profile at the places of 2, 4, 5 and 10 divisions over all pitches. All inner places must
    show a line of the same sign, 5 standard errors strong, alike within a factor 3, at least 4 % of a main
    line: so that halos and ringing beside strong lines are not taken for a ruling. A numbering may count the gaps
    between lines: the template's place says where in each pitch the lines themselves are.
    """
    nodes = np.arange(len(profile), dtype=np.float64)
    wing = max(1.5 * template.half_width_px, 1.5)

    def contrast(columns: Floats) -> Floats:
        middle = np.interp(columns, nodes, profile)
        return middle - (np.interp(columns - wing, nodes, profile) + np.interp(columns + wing, nodes, profile)) / 2.0

    main = float(np.median(contrast(lattice.places()[1] + template.centre_px)))
    for divisions in (10, 5, 4, 2):
        if lattice.pitch_px / divisions < max(FINEST_PITCH_PX, 1.5 * wing):
            continue
        index, columns = lattice.places(divisions)
        columns = columns + template.centre_px
        sign = np.sign(main)
        means = np.empty(divisions - 1)
        errors = np.empty(divisions - 1)
        for k in range(1, divisions):
            values = sign * contrast(columns[index % divisions == k])
            means[k - 1] = float(np.mean(values))
            errors[k - 1] = float(np.std(values, ddof=1) / np.sqrt(len(values)))
        if np.all(means > np.maximum(5.0 * errors, 0.04 * abs(main))) and means.max() < 3.0 * means.min():
            return divisions
    return 1
