"""The scale of a mosaic, with its uncertainty."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One line of an uncertainty budget (JCGM 100, 4.3): `u` is its contribution to the result, k = 1."""

    name: str
    u: float
    unit: str
    kind: str
    """"A" (from repeated observations) or "B" (from other knowledge)."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Scale:
    """Micrometres a pixel along both axes, with standard uncertainties.

    `axes_independent` is true when a second, turned picture measured the y axis on its own; otherwise both
    axes carry the same value and their errors are fully correlated. `common_u_rel` is the part of the
    relative uncertainty common to both axes (the micrometer's own tolerance), needed to combine independent
    axes.
    """

    um_per_px_x: float
    um_per_px_x_u: float
    um_per_px_y: float
    um_per_px_y_u: float
    pitch_um: float
    pitch_um_u: float
    lines_used: int
    rotation_deg: float
    source: str
    axes_independent: bool = False
    common_u_rel: float = 0.0
    budget: tuple[BudgetLine, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values, keyed as scale.json has them."""
        return asdict(self)
