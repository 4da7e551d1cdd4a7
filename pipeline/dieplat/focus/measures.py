"""Classical measures of focus: how much fine detail a picture has around every pixel.

All take a grey picture (H, W), float32, and give a picture of the same size, non-negative, to be averaged over a
window by the caller. For the choice among them see Pertuz, Puig and Garcia 2013, Analysis of focus measure operators
for shape-from-focus, Pattern Recognition 46, 1415-1432.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.float32]


def modified_laplacian(grey: Image) -> Image:
    """|2 I - I(x-1) - I(x+1)| + |2 I - I(y-1) - I(y+1)|: unlike the Laplacian, opposite bends do not cancel.

    Summed over a window it is the sum-modified Laplacian (Nayar and Nakagawa 1994, Shape from focus, IEEE Trans.
    Pattern Analysis and Machine Intelligence 16, 824-831).
    """
    second = np.array([-1.0, 2.0, -1.0])
    one = np.array([1.0])
    across = cv2.sepFilter2D(grey, cv2.CV_32F, second, one, borderType=cv2.BORDER_REPLICATE)
    down = cv2.sepFilter2D(grey, cv2.CV_32F, one, second, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.absdiff(across, 0.0) + cv2.absdiff(down, 0.0), dtype=np.float32)


def laplacian_energy(grey: Image) -> Image:
    """The squared Laplacian (Subbarao, Choi and Nikzad 1993, Focusing techniques, Opt. Eng. 32, 2824-2836)."""
    bent = cv2.Laplacian(grey, cv2.CV_32F, ksize=1, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(bent * bent, dtype=np.float32)


def tenengrad(grey: Image) -> Image:
    """The squared Sobel gradient (Tenenbaum 1970; Krotkov 1987, Focusing, Int. J. Computer Vision 1, 223-237)."""
    gx = cv2.Sobel(grey, cv2.CV_32F, 1, 0, borderType=cv2.BORDER_REPLICATE)
    gy = cv2.Sobel(grey, cv2.CV_32F, 0, 1, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(gx * gx + gy * gy, dtype=np.float32)


MEASURES: dict[str, Callable[[Image], Image]] = {
    "modified_laplacian": modified_laplacian,
    "laplacian_energy": laplacian_energy,
    "tenengrad": tenengrad,
}
