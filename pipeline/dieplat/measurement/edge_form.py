"""What a die's edge looks like across: a blurred step, or two where the saw left a rim, and what cannot be told."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

Array = npt.NDArray[np.float64]

FIT_PX = 3.0
"""Reach of the fit of one step to either side of the edge: beyond it lie other things."""
BLURS_PX = (0.4, 0.55, 0.75, 1.0, 1.3, 1.7, 2.2)
RIMS_PX = tuple(np.arange(0.25, 5.01, 0.25).tolist())
RIM_STEPS = (-0.4, -0.3, -0.2, -0.1, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6, 0.65)
"""Widths of a rim, and the part of the whole step that its inner border has: below 0 it stands out more than the die
does. Above the last the outer border would be less than half of the inner one."""
LEAST_BLUR_PX, MOST_BLUR_PX = 0.35, 2.2
FORM_U = 0.004
"""Standard deviation, over the step's height, by which a real edge's mean profile differs from such forms even where
they are true (drawn pictures with one step: 0.003 to 0.009); it counts once a pixel."""
INWARDS_U, OUTWARDS_U = 0.02, 0.004
"""What is added to it a pixel further than `FIT_PX` from the edge: on the die are rings and lines, outside little."""
RIMS_TO_NONE = 4.0
"""How much likelier than none a rim of any width is held to be before the picture is looked at: a saw leaves one more
often than not (common practice, no source)."""
ROUNDS = 12


@dataclass(frozen=True, slots=True)
class Form:
    """An edge across: a blurred step and, `rim_px` further to the right, another, in sum of height 1; `rim` is the
    second one's part of it."""

    blur_px: float
    rim_px: float = 0.0
    rim: float = 0.0

    def at(self, away: Array) -> Array:
        """Its level at distances from the first step."""
        level = ndtr(away / self.blur_px)
        if self.rim:
            level = (1.0 - self.rim) * level + self.rim * ndtr((away + self.rim_px) / self.blur_px)
        return np.asarray(level, dtype=np.float64)

    def slope_at(self, away: Array) -> Array:
        """How its level changes there."""
        slope = _bell(away / self.blur_px)
        if self.rim:
            slope = (1.0 - self.rim) * slope + self.rim * _bell((away + self.rim_px) / self.blur_px)
        return slope / self.blur_px


@dataclass(frozen=True, slots=True)
class Fitted:
    """A form, its place in the profile, the misfit (rms over the height), and by how much the edge is to be expected
    further to the left than that place, with the standard uncertainty of this."""

    form: Form
    place: float
    misfit: float
    further: float = 0.0
    further_u: float = 0.0


def one_step(t: Array, mean: Array, middle: float) -> Fitted:
    """The best single step of a grid of places and blurs about `middle`."""
    near = np.abs(t - middle) <= FIT_PX
    x, y = t[near], mean[near] - mean[near].mean()
    best = (math.inf, 1.0, middle, 0.0)
    for blur in BLURS_PX:
        for centre in middle + np.arange(-1.5, 1.51, 0.1):
            model = Form(blur).at(x - centre)
            model = model - model.mean()
            height = float(model @ y) / float(model @ model)
            fit = y - model * height
            best = min(best, (float(fit @ fit), blur, float(centre), height))
    misfit = math.sqrt(best[0] / len(x)) / max(abs(best[3]), 1e-9)
    return Fitted(Form(best[1]), best[2], misfit)


def with_rim(t: Array, mean: Array, single: Fitted, blur_px: tuple[float, float] | None = None) -> Fitted:
    """The likeliest of all forms with and without a rim, and what is to be expected over all of them.

    Every form is fitted with a place, a blur, a height and a ground of its own, and weighs exp(-chi^2 / 2). Where a rim
    is too narrow to be told from blur the place expected lies between those of the forms that fit, and their scatter is
    its uncertainty (JCGM 101, 5.1: what is known of a quantity as a distribution). A profile alone hardly tells a rim
    that is narrower than twice the blur; with the blur known from elsewhere to 5 % (`blur_px`, with its standard
    uncertainty) it tells one somewhat wider than the blur.
    """
    rims = np.array([(0.0, 0.0), *((d, w) for d in RIMS_PX for w in RIM_STEPS)])
    away = t - single.place
    beyond = np.maximum(np.abs(away) - FIT_PX, 0.0)
    spread = FORM_U + beyond * np.where(away < 0.0, INWARDS_U, OUTWARDS_U)
    # About one sample a pixel is independent of the others.
    weight = float(t[1] - t[0]) / spread**2
    profile = _Profile(t, mean, weight, (single.form.blur_px, math.inf) if blur_px is None else blur_px)
    # The single step lies between both borders of a rim, or on one of them.
    shares = (rims[:, 1], np.zeros(len(rims)), np.ones(len(rims)))
    fits = [profile.fit(rims, single.place + share * rims[:, 0]) for share in shares]
    chosen = np.argmin([fit[0] for fit in fits], axis=0)
    square, place, blur, height = (np.choose(chosen, [fit[k] for fit in fits]) for k in range(4))
    best = int(np.argmin(square))
    if not math.isfinite(square[best]):
        return single
    share = _weights(square / height[best] ** 2, max(float((weight * FORM_U**2).sum()) - 4.0, 1.0))
    expected = float(share @ place)
    scatter = math.sqrt(float(share @ (place - expected) ** 2))
    form = Form(float(blur[best]), float(rims[best, 0]), float(rims[best, 1]))
    near = np.abs(t - place[best]) <= FIT_PX
    level = form.at(t[near] - place[best])
    left = mean[near] - mean[near].mean() - height[best] * (level - level.mean())
    misfit = math.sqrt(float((left**2).mean())) / max(abs(float(height[best])), 1e-9)
    return Fitted(form, float(place[best]), misfit, expected - float(place[best]), scatter)


def _weights(chi: Array, free: float) -> Array:
    """How likely every form is, the first of which has no rim; where none fits, chi^2 is scaled to fit (Birge)."""
    chi = (chi - chi.min()) / max(float(chi.min()) / free, 1.0)
    prior = np.full(len(chi), 1.0 / (len(chi) - 1))
    prior[0] = 1.0 / RIMS_TO_NONE
    share = prior * np.exp(-0.5 * chi)
    return np.asarray(share / share.sum(), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class _Profile:
    """Distances across (M,), shades there, weights of their squares, and the blur with its uncertainty (px)."""

    t: Array
    shade: Array
    weight: Array
    blur_px: tuple[float, float]

    def fit(self, rims: Array, place: Array) -> tuple[Array, Array, Array, Array]:
        """Of forms with these rims (K, 2: width, part) what is left (sum of weighted squares), place, blur and height,
        each (K,), by the steps of Gauss and Newton from places (K,)."""
        expected, told = self.blur_px[0], 1.0 / self.blur_px[1] ** 2
        place, blur, height = place.copy(), np.full(len(rims), expected), np.ones(len(rims))
        for _ in range(ROUNDS):
            columns = self._columns(rims, place, blur)
            # The blur known from elsewhere is one more observation.
            solved = self._solve(columns, told, told * height * (expected - blur))
            height = np.where(np.abs(solved[:, 1]) > 1e-12, solved[:, 1], 1e-12)
            place += np.clip(solved[:, 2] / height, -0.5, 0.5)
            blur += np.clip(solved[:, 3] / height, -0.3 * blur, 0.3 * blur)
            blur = np.clip(blur, LEAST_BLUR_PX, MOST_BLUR_PX)
        columns = self._columns(rims, place, blur)[..., :2]
        solved = self._solve(columns)
        left = self.shade - np.einsum("kmj,kj->km", columns, solved)
        square = left**2 @ self.weight + told * (solved[:, 1] * (blur - expected)) ** 2
        return np.where(solved[:, 1] > 0.0, square, math.inf), place, blur, solved[:, 1]

    def _columns(self, rims: Array, place: Array, blur: Array) -> Array:
        """Ground, form, and how the form changes with place and blur: (K, M, 4)."""
        rim_px, inner, wide = rims[:, :1], rims[:, 1:], blur[:, None]
        first = (self.t - place[:, None]) / wide
        second = first + rim_px / wide
        level = (1.0 - inner) * ndtr(first) + inner * ndtr(second)
        outer_bell, inner_bell = (1.0 - inner) * _bell(first) / wide, inner * _bell(second) / wide
        moved, widened = outer_bell + inner_bell, outer_bell * first + inner_bell * second
        return np.stack([np.ones_like(level), level, -moved, -widened], axis=-1)

    def _solve(self, columns: Array, told: float = 0.0, right: Array | float = 0.0) -> Array:
        """Least squares of each form; `told` and `right` are what is known of the last column's factor beforehand."""
        weighted = columns * self.weight[:, None]
        normal = np.swapaxes(weighted, 1, 2) @ columns
        values = np.swapaxes(weighted, 1, 2) @ self.shade
        normal[:, -1, -1] += told
        values[:, -1] += right
        size = normal.shape[-1]
        normal += 1e-9 * np.eye(size) * np.trace(normal, axis1=1, axis2=2)[:, None, None]
        return np.asarray(np.linalg.solve(normal, values[..., None])[..., 0], dtype=np.float64)


def _bell(x: Array) -> Array:
    return np.asarray(np.exp(-0.5 * x**2) / math.sqrt(2.0 * math.pi))
