"""What the grid of pixels does to the place of a line: an error that returns with every pixel.

Pixels sample a picture as if it held nothing finer than two of them. What is finer comes back as something coarser
(aliasing), with a phase that turns once as a line moves by a pixel; so its place is read with an error of
A cos(2 pi x) + B sin(2 pi x), where x is where the line lies on the grid. Where the pitch is nearly a whole number of
pixels, that error turns but once or so over the whole picture, and is taken for a pitch and a distortion. (The same
error of stars' places: J. Anderson and I. R. King, Publ. Astron. Soc. Pacific 112, 1360 (2000); from memory.)

For a line of box profile that is blurred by a Gaussian of s pixels (the pixel itself counts as 0.29), what comes back
from frequency 1 - f onto f is smaller than what is there by exp(-2 pi^2 s^2 (1 - 2 f)), with f = 0.2 cycles a pixel,
where a line has most of its slope.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SHAPE_UNKNOWN_PX, BOX_PX = 0.2, 0.03
"""What that factor is to be multiplied by to give A and B of lines that are drawn exactly, 2 to 6 px wide with s from
0.3 to 0.7: read with a curve through their samples (0.09 px at s = 0.3, 0.005 px at 0.6), and with a blurred box
(0.009 px and 0.0003 px)."""
SHARPEST_PX = 0.3
"""Blur by the pixel alone; a sharper line cannot be."""


def phase_error_px(blur_px: float | None) -> float:
    """Standard uncertainty of A and B, in pixels, of lines read as boxes with this blur; None: of unknown shape."""
    if blur_px is None:
        return SHAPE_UNKNOWN_PX * _comes_back(SHARPEST_PX)
    return BOX_PX * _comes_back(max(blur_px, SHARPEST_PX))


def _comes_back(blur_px: float) -> float:
    return float(np.exp(-2.0 * np.pi**2 * 0.6 * blur_px**2))


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """How lines lie on the grid of pixels.

    step : pixels of the picture's own axis that a pixel along the ruling's normal is.
    mixing : ndarray (lines,), complex: mean of exp(2 pi i x) over a line's readings, were the line itself at 0.
        Readings at different phases take from each other's error.
    error_u_px : standard uncertainty of A and B.
    """

    step: float
    mixing: npt.NDArray[np.complex128]
    error_u_px: float

    def columns(self, s_px: Floats) -> Floats:
        """What A and B (lines, 2) do to lines at these places along the normal.

        The places must not be the readings themselves: these would be explained by their own fractions of a pixel.
        """
        turned = self.mixing * np.exp(2j * np.pi * self.step * s_px)
        return np.stack([turned.real, turned.imag], axis=1)


def mixing_of(
    angle_rad: float, lean: float, t_px: Floats, reach_px: Floats
) -> tuple[float, npt.NDArray[np.complex128]]:
    """`step` of a `Grid`, and exp(2 pi i x) of readings at `t_px` along a line, each a mean over `reach_px`.

    `angle_rad` is the direction of the ruling's normal from the x axis, `lean` what a line's place along it changes for
    a pixel along the line. Lines that are nearer to upright cross rows of pixels, the others columns.
    """
    cosine, sine = float(np.cos(angle_rad)), float(np.sin(angle_rad))
    step, across = (cosine, -sine) if abs(cosine) >= abs(sine) else (sine, cosine)
    turn = across + lean * step
    return step, np.asarray(np.sinc(reach_px * turn) * np.exp(2j * np.pi * turn * t_px))
