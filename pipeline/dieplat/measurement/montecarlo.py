"""Propagation of distributions by Monte Carlo, and the check of first-order results against it (JCGM 101:2008)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Shape = Literal["normal", "uniform", "arcsine", "student"]

K_95 = 1.959963984540054
"""Coverage factor for 95 % of a normal distribution."""


@dataclass(frozen=True, slots=True)
class Input:
    """An input quantity: its best estimate, standard uncertainty and distribution (JCGM 101, table 1).

    For "student" u is that of the scaled and shifted t-distribution's scale parameter, as an average of readings has
    it, and dof its degrees of freedom; the distribution is then wider than u (JCGM 101, 6.4.9).
    """

    name: str
    value: float
    u: float
    shape: Shape = "normal"
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class Trials:
    """What the draws of a quantity say: mean, standard deviation, and the probabilistically symmetric interval."""

    value: float
    u: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Validation:
    """A first-order result beside the draws (JCGM 101, 8.1).

    `tolerance` is half a unit of the last of the stated digits of u; `agrees` says that both ends of the first-order
    interval lie within it of the ends found by drawing.
    """

    name: str
    value: float
    u: float
    low: float
    high: float
    trials: Trials
    tolerance: float
    agrees: bool


def draw(inputs: Sequence[Input], draws: int, rng: np.random.Generator) -> dict[str, Array]:
    """Independent draws (draws,) of every input, by name."""
    return {item.name: item.value + item.u * _unit(item, draws, rng) for item in inputs}


def _unit(item: Input, draws: int, rng: np.random.Generator) -> Array:
    """Draws of an input's distribution about 0, in units of its u."""
    if item.shape == "uniform":
        return math.sqrt(3.0) * rng.uniform(-1.0, 1.0, draws)
    if item.shape == "arcsine":  # its half width is sqrt(2) u (JCGM 101, 6.4.6)
        return np.asarray(math.sqrt(2.0) * np.sin(2.0 * math.pi * rng.uniform(0.0, 1.0, draws)), dtype=np.float64)
    if item.shape == "student":
        return rng.standard_t(item.dof, draws)
    return rng.standard_normal(draws)


def draw_correlated(values: Sequence[float], covariance: Array, draws: int, rng: np.random.Generator) -> Array:
    """Draws (draws, n) of a multivariate normal distribution (JCGM 101, 6.4.8)."""
    return np.asarray(rng.multivariate_normal(np.asarray(values), covariance, size=draws), dtype=np.float64)


def trials_of(drawn: Array, *, coverage: float = 0.95) -> Trials:
    """Summary of draws (JCGM 101, 7.6 and 7.7)."""
    tail = 0.5 * (1.0 - coverage)
    low, high = np.quantile(drawn, [tail, 1.0 - tail])
    return Trials(float(drawn.mean()), float(drawn.std(ddof=1)), float(low), float(high))


def tolerance_of(u: float, *, digits: int = 1) -> float:
    """Half a unit in the last of the `digits` significant digits with which u is stated (JCGM 101, 7.9.2)."""
    if u <= 0.0:
        return 0.0
    exponent = math.floor(math.log10(u))
    if float(f"{u:.{digits - 1}e}") >= 10.0 ** (exponent + 1):  # 9.97 stated with two digits is 10
        exponent += 1
    return 0.5 * 10.0 ** (exponent - digits + 1)


def validate(
    name: str, value: float, u: float, drawn: Array, *, digits: int = 1, coverage_factor: float = K_95
) -> Validation:
    """Compare value +- k u with the draws' 95 % interval (JCGM 101, 8.1).

    digits : how many significant digits of u count, 1 or 2. With 2, a million draws are needed for a fair verdict.
    """
    trials = trials_of(drawn)
    low, high = value - coverage_factor * u, value + coverage_factor * u
    tolerance = tolerance_of(u, digits=digits)
    agrees = abs(low - trials.low) <= tolerance and abs(high - trials.high) <= tolerance
    return Validation(name, value, u, low, high, trials, tolerance, agrees)
