"""Measured offsets between neighbouring tiles, with every alternative the pictures leave open."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One place where tile b may lie against tile a: b's corner minus a's corner, in pixels.

    `cost` is the negative log-likelihood against the pair's best hypothesis (which has cost 0);
    `cov_px2` is the covariance ((xx, xy), (xy, yy)) of a sub-pixel fit at this place. `misfit_pct` is the root mean
    square of the difference there of both pictures' coarse structure, in percent of the brightness, and `unlike` that
    of its correlation from 1; None where they are not known.
    """

    dx_px: float
    dy_px: float
    correlation: float
    cost: float
    cov_px2: tuple[float, float, float]
    misfit_pct: float | None = None
    unlike: float | None = None


@dataclass(frozen=True, slots=True)
class PairOffsets:
    """A pair of tiles (indices into the TileSet) and its hypotheses, best first; empty where it is blank."""

    a: int
    b: int
    hypotheses: tuple[Hypothesis, ...]
    predicted_px: tuple[float, float]


@dataclass(frozen=True, slots=True)
class StageModel:
    """Nominal steps of the stage, in camera pixels.

    A step of one column moves a tile by `column_step_px`, a step of one row by `row_step_px`, to which the
    backlash of rows travelled in opposite directions adds (-1)^row `backlash_px`. `sigma_px` is the scatter
    (x, y) of single steps about the model.
    """

    column_step_px: tuple[float, float]
    row_step_px: tuple[float, float]
    backlash_px: tuple[float, float]
    sigma_px: tuple[float, float]
    pairs_used: int

    def predict(self, row_a: int, column_a: int, row_b: int, column_b: int) -> tuple[float, float]:
        """Offset of the tile at (row_b, column_b) from the one at (row_a, column_a), in pixels."""
        columns, rows = column_b - column_a, row_b - row_a
        phase = ((-1) ** row_a - (-1) ** row_b) / 2
        return (
            columns * self.column_step_px[0] + rows * self.row_step_px[0] + phase * self.backlash_px[0],
            columns * self.column_step_px[1] + rows * self.row_step_px[1] + phase * self.backlash_px[1],
        )
