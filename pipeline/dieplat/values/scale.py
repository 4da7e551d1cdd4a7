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
class ScalePart(BudgetLine):
    """A line of a scale's budget that also says which axis it acts on.

    `u` is relative. An error of one `u` changes ln(um_per_px_x) by `on_x` u, ln(um_per_px_y) by `on_y` u, and the
    angle between the pixel axes (in radians, from 90 degrees) by `on_angle` u. So lines that act on both axes keep
    their correlation.
    """

    on_x: float = 1.0
    on_y: float = 1.0
    on_angle: float = 0.0


@dataclass(frozen=True, slots=True)
class RulingLines:
    """How far the lines of one picture of a ruling lie from where its pitch puts them.

    `line` numbers them along the ruling, `residual_px` are the distances, `used` is false for lines that the fit left
    out.
    """

    line: tuple[int, ...]
    residual_px: tuple[float, ...]
    used: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class Scale:
    """Micrometres a pixel along both axes, with standard uncertainties.

    `axes_independent` is true when a second, turned picture measured the y axis on its own; otherwise both
    axes carry the same value. `common_u_rel` is the part of the relative uncertainty common to both axes (the
    micrometer's own tolerance). Where every line of the budget is a `ScalePart`, the budget says how the errors
    of both axes are correlated; otherwise the axes are fully correlated, or, if independent, by `common_u_rel`.
    `rulings` has the lines of every micrometer picture.
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
    rulings: tuple[RulingLines, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values, keyed as scale.json has them."""
        return asdict(self)
