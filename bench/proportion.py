"""How much so many trials can tell of a share."""

from __future__ import annotations

from scipy.stats import beta


def proportion_interval(found: int, of: int, level: float = 0.95) -> tuple[float, float]:
    """What share may lie behind `found` of `of` (C. J. Clopper, E. S. Pearson, Biometrika 26, 404-413 (1934), from
    memory)."""
    tail = (1.0 - level) / 2.0
    low = 0.0 if found == 0 else float(beta.ppf(tail, found, of - found + 1))
    return low, 1.0 if found == of else float(beta.ppf(1.0 - tail, found + 1, of - found))
