"""The map from one picture to another out of places that both show; a few wrong pairs do not move it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from dieplat.errors import RegistrationError

Floats = npt.NDArray[np.float64]
Model = Literal["similarity", "affine"]

_HUBER = 1.345
"""Residuals beyond so many deviations count less: 95 % efficient on normal errors (Huber 1981, from memory)."""
_OUTLIER = 4.0
_ROUNDS = 30
_PARAMETERS = {"similarity": 4, "affine": 6}


@dataclass(frozen=True, slots=True)
class Pair:
    """One place in the reference and in the other mosaic, in pixels; `u_px`: how well one coordinate is known."""

    reference_px: tuple[float, float]
    mosaic_px: tuple[float, float]
    u_px: float = 0.5
    name: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """Where a place of the reference lies in the mosaic: p_mosaic = matrix @ (x, y, 1).

    matrix : ndarray (2, 3). residual_px : ndarray (N, 2), mosaic minus map, for every pair. used : ndarray (N,).
    """

    matrix: Floats
    model: Model
    pairs: tuple[Pair, ...]
    residual_px: Floats
    used: npt.NDArray[np.bool_]
    covariance: Floats
    """Of (a, b, tx, ty) or (a, b, c, d, tx, ty); centred at the reference's own origin."""
    notes: tuple[str, ...] = ()

    @property
    def rms_px(self) -> float:
        """Root mean square distance of the used pairs from the map."""
        left = self.residual_px[self.used]
        return float(np.sqrt(np.mean(np.sum(left**2, axis=1)))) if len(left) else 0.0

    @property
    def rotation_deg(self) -> float:
        """Turn of the mosaic against the reference, from x towards y."""
        return math.degrees(math.atan2(self.matrix[1, 0] - self.matrix[0, 1], self.matrix[0, 0] + self.matrix[1, 1]))

    @property
    def magnification(self) -> float:
        """Mosaic pixels a reference pixel: the square root of the ratio of areas."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix[:, :2]))))

    def place_u_px(self, x: float, y: float) -> float:
        """Standard uncertainty of where a place of the reference lies in the mosaic, larger of both axes."""
        design = _design(np.array([[x, y]]), self.model)
        cov = design @ self.covariance @ design.T
        return float(np.sqrt(max(cov[0, 0], cov[1, 1])))

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        pairs = [
            {
                "name": pair.name,
                "reference_px": list(pair.reference_px),
                "mosaic_px": list(pair.mosaic_px),
                "residual_px": self.residual_px[index].tolist(),
                "used": bool(self.used[index]),
            }
            for index, pair in enumerate(self.pairs)
        ]
        return {
            "matrix": self.matrix.tolist(),
            "maps": "reference_px to mosaic_px: matrix times (x, y, 1)",
            "model": self.model,
            "rotation_deg": self.rotation_deg,
            "magnification": self.magnification,
            "rms_residual_px": self.rms_px,
            "pairs_used": int(self.used.sum()),
            "pairs": pairs,
            "notes": list(self.notes),
        }


def fit_pairs(
    pairs: Sequence[Pair], *, model: Model | None = None, notes: Sequence[str] = (), source: str = "pairs"
) -> Alignment:
    """Fit the map by iteratively reweighted least squares with Huber's weights.

    Parameters
    ----------
    pairs : sequence of Pair
        Two or more; an affine map needs three that do not lie on a line.
    model : {"similarity", "affine"}, optional
        A turn, a magnification and a shift, or besides a shear and unequal axes. None takes the affine map if there
        are at least six pairs and it fits better by the Bayesian information criterion (Schwarz 1978, Annals of
        Statistics 6, 461-464).
    source : str
        What the pairs are called in messages.

    Raises
    ------
    RegistrationError
        If there are too few pairs or they lie on top of each other or on a line.
    """
    if len(pairs) < 2:
        raise RegistrationError(f"{source}: {len(pairs)} pair of marks; two or more are needed, far apart")
    if model is None:
        plain = _fitted(pairs, "similarity", notes, source)
        if len(pairs) < 6:
            return plain
        free = _fitted(pairs, "affine", notes, source)
        return free if _criterion(free) < _criterion(plain) else plain
    return _fitted(pairs, model, notes, source)


def _fitted(pairs: Sequence[Pair], model: Model, notes: Sequence[str], source: str) -> Alignment:
    here = np.array([pair.reference_px for pair in pairs], dtype=np.float64)
    there = np.array([pair.mosaic_px for pair in pairs], dtype=np.float64)
    stated = np.repeat([pair.u_px for pair in pairs], 2)
    centre = here.mean(axis=0)
    design, target = _design(here - centre, model), there.ravel()
    if np.linalg.matrix_rank(design, tol=1e-9 * max(1.0, float(np.abs(design).max()))) < design.shape[1]:
        raise RegistrationError(f"{source}: the marks lie on one place or one line; spread them over the die")
    weight = 1.0 / stated
    residual = target
    for _ in range(_ROUNDS):
        solution = np.linalg.lstsq(design * weight[:, None], target * weight)[0]
        residual = target - design @ solution
        off = np.hypot(*residual.reshape(-1, 2).T) / stated[::2]
        spread = max(1.4826 * float(np.median(off)) / 1.17741, 1e-9)  # the median of a Rayleigh distribution
        share = np.minimum(1.0, _HUBER * spread / np.maximum(off, 1e-12))
        new = np.repeat(share, 2) / stated
        if np.allclose(new, weight, rtol=1e-6):
            break
        weight = new
    used = off <= max(_OUTLIER * spread, 1e-9)
    kept = np.repeat(used, 2)
    free = int(kept.sum()) - design.shape[1]
    inverse = np.linalg.inv((design[kept] / stated[kept, None]).T @ (design[kept] / stated[kept, None]))
    scatter = float(np.sum((residual[kept] / stated[kept]) ** 2)) / free if free > 0 else 1.0
    covariance = inverse * max(scatter, 1.0 if free < 8 else 0.0)
    shift = _recentred(centre, model)
    matrix = _matrix(shift @ solution, model)
    return Alignment(
        matrix, model, tuple(pairs), residual.reshape(-1, 2), used, shift @ covariance @ shift.T, tuple(notes)
    )


def _design(points: Floats, model: Model) -> Floats:
    """Rows for x and y of every point."""
    x, y = points.T
    zero, one = np.zeros_like(x), np.ones_like(x)
    if model == "similarity":
        rows = np.stack([np.stack([x, -y, one, zero], 1), np.stack([y, x, zero, one], 1)], 1)
    else:
        rows = np.stack([np.stack([x, y, zero, zero, one, zero], 1), np.stack([zero, zero, x, y, zero, one], 1)], 1)
    return np.asarray(rows.reshape(2 * len(points), -1), dtype=np.float64)


def _recentred(centre: Floats, model: Model) -> Floats:
    """From parameters about `centre` to parameters about the origin."""
    size = _PARAMETERS[model]
    change = np.eye(size)
    change[-2:, :-2] = -_design(centre[None, :], model)[:, :-2]
    return change


def _matrix(solution: Floats, model: Model) -> Floats:
    if model == "similarity":
        a, b, x, y = solution
        return np.array([[a, -b, x], [b, a, y]])
    a, b, c, d, x, y = solution
    return np.array([[a, b, x], [c, d, y]])


def _criterion(alignment: Alignment) -> float:
    stated = np.array([pair.u_px for pair in alignment.pairs])
    off2 = np.sum(alignment.residual_px**2, axis=1) / stated**2
    # Pairs that neither map explains cost alike.
    chi2 = float(np.minimum(off2, _OUTLIER**2 * max(float(np.median(off2)), 1e-12)).sum())
    count = 2 * len(stated)
    return count * math.log(max(chi2, 1e-12) / count) + _PARAMETERS[alignment.model] * math.log(count)
