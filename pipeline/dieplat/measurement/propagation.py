"""Propagation of uncertainty to first order with every correlation kept (JCGM 100:2008, 5.1 and 5.2).

A quantity is a number of the library `uncertainties`: a value with its derivatives by the independent variables behind
it. What two quantities have in common is therefore known wherever they meet: a ratio of areas loses their scale, a sum
of neighbours keeps the sign of what they share. A variable's tag names the source that it belongs to.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
from uncertainties import correlation_matrix, ufloat  # type: ignore[import-untyped]
from uncertainties.core import AffineScalarFunc, LinearCombination, Variable  # type: ignore[import-untyped]

from dieplat.values import BudgetLine

Array = npt.NDArray[np.float64]
Quantity: TypeAlias = Any
"""A number of `uncertainties` (the library is not typed): value, derivatives, and arithmetic on both."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where uncertainty comes from: `kind` is "A" or "B", `note` says how it is known, `dof` how well."""

    name: str
    kind: str = "B"
    note: str = ""
    dof: float = math.inf


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """A value, its standard uncertainty and the budget behind it; `quantity` keeps what it shares with others."""

    value: float
    u: float
    budget: tuple[BudgetLine, ...]
    quantity: Quantity

    def u_without(self, *names: str) -> float:
        """The uncertainty that the other lines of the budget make."""
        return combined([line for line in self.budget if line.name not in names])


def variable(u: float, source: str, *, value: float = 0.0) -> Quantity:
    """An independent variable of standard uncertainty `u`, in the budget under `source`; a plain number if `u` is 0."""
    return ufloat(value, u, tag=source) if u > 0.0 else value


def correlated(values: Sequence[float], covariance: Array, source: str) -> tuple[Quantity, ...]:
    """Quantities with the given covariance matrix, made of independent variables of unit variance.

    Raises
    ------
    ValueError
        If the matrix is no covariance matrix.
    """
    size, vectors = np.linalg.eigh(np.asarray(covariance, dtype=np.float64))
    if size.min(initial=0.0) < -1e-9 * max(size.max(initial=0.0), 0.0) or not np.isfinite(size).all():
        raise ValueError("the covariance matrix has a negative eigenvalue")
    parts = [variable(1.0, source) for _ in size]
    factors = vectors * np.sqrt(np.maximum(size, 0.0))
    return tuple(value + linear(row, parts) for value, row in zip(values, factors, strict=True))


def linear(coefficients: Iterable[float], quantities: Iterable[Quantity]) -> Quantity:
    """The sum of coefficient times quantity; terms with the coefficient 0 are left out."""
    value = 0.0
    parts: dict[Any, float] = {}
    for coefficient, quantity in zip(coefficients, quantities, strict=True):
        if coefficient:
            value += coefficient * value_of(quantity)
            own = {quantity: 1.0} if isinstance(quantity, Variable) else getattr(quantity, "derivatives", {})
            for item, slope in own.items():
                parts[item] = parts.get(item, 0.0) + coefficient * slope
    # At once rather than term by term, which the library would do as well: sums here have hundreds of terms.
    return AffineScalarFunc(value, LinearCombination(parts)) if parts else value


def value_of(quantity: Quantity) -> float:
    """The best estimate of a quantity or of a plain number."""
    value: Any = getattr(quantity, "nominal_value", quantity)
    return float(value)


def u_of(quantity: Quantity) -> float:
    """The standard uncertainty of a quantity; a plain number has none."""
    return float(getattr(quantity, "std_dev", 0.0))


def correlation(*quantities: Quantity) -> Array:
    """The matrix of correlation coefficients (JCGM 100, 5.2.2)."""
    return np.asarray(correlation_matrix(quantities), dtype=np.float64)


def contributions(quantity: Quantity) -> dict[str, float]:
    """Standard uncertainty that each source (tag) gives to a quantity."""
    squares: dict[str, float] = {}
    if hasattr(quantity, "error_components"):
        for item, part in quantity.error_components().items():
            squares[item.tag] = squares.get(item.tag, 0.0) + float(part) ** 2
    return {name: math.sqrt(square) for name, square in squares.items()}


def measured(quantity: Quantity, sources: Iterable[Source], *, unit: str) -> Measured:
    """A quantity with its budget: a line a source, in their order, also where a source adds nothing.

    The line with the largest contribution says so, and how much of the variance it makes.
    """
    parts = contributions(quantity)
    lines = [BudgetLine(s.name, parts.get(s.name, 0.0), unit, s.kind, s.note) for s in sources]
    return Measured(value_of(quantity), combined(lines), with_largest(lines), quantity)


def with_largest(lines: Sequence[BudgetLine]) -> tuple[BudgetLine, ...]:
    """The same lines; the note of the largest says which part of the variance it is."""
    total = combined(lines)
    if total == 0.0:
        return tuple(lines)
    largest = max(range(len(lines)), key=lambda i: lines[i].u)
    line = lines[largest]
    said = f"largest: {100 * (line.u / total) ** 2:.0f} % of the variance"
    note = f"{line.note}; {said}" if line.note else said
    return (*lines[:largest], BudgetLine(line.name, line.u, line.unit, line.kind, note), *lines[largest + 1 :])


def combined(lines: Iterable[BudgetLine]) -> float:
    """Root sum of squares of independent contributions (JCGM 100, 5.1.2)."""
    return math.sqrt(math.fsum(line.u**2 for line in lines))


def effective_dof(quantity: Quantity, dof: Mapping[str, float]) -> float:
    """Effective degrees of freedom by Welch and Satterthwaite (JCGM 100, G.4.1), of sources independent of one another.

    Sources that `dof` does not name are taken as exactly known (infinite degrees of freedom).
    """
    inverse = sum(u**4 / dof.get(name, math.inf) for name, u in contributions(quantity).items())
    return math.inf if inverse == 0.0 else u_of(quantity) ** 4 / inverse
