"""How alike two thumbnails are: a view in which few frequencies do not outweigh the rest, and likeness at an offset."""

from __future__ import annotations

import cv2
import numpy as np
import scipy.fft

from dieplat.registration.correlate import Image, overlap_windows

FLATTENING = 0.5
"""Amplitudes are raised to the power 1 - this: 0 correlates the pictures, 1 only their phases."""
BAND = (0.015, 0.3)
"""Cycles a thumbnail pixel; below lies shading, above there is little but noise."""
SLACK_PX = 3
"""An offset that was added up over several steps may be off by so many thumbnail pixels."""
LEAST_SIDE_PX = 14
FAINT = 0.25
"""An overlap with less than this part of the set's usual contrast shows nothing that could be alike or not."""


def flattened(thumb: Image) -> Image:
    """The thumbnail with its strong frequencies held down.

    Between correlation and phase correlation (Knapp and Carter 1976, IEEE Trans. ASSP 24, 320-327, on such weights):
    repeating blocks put most of their power into few frequencies, in which any two of them agree. With all amplitudes
    made equal the noise would speak as loudly as the picture.
    """
    height, width = thumb.shape
    spectrum = scipy.fft.rfft2(thumb)
    size = np.abs(spectrum)
    frequency = np.hypot(np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None])
    spectrum *= np.where((frequency > BAND[0]) & (frequency < BAND[1]), 1.0, 0.0)
    spectrum /= (size + 1e-3 * float(size.max()) + 1e-12) ** FLATTENING
    return np.asarray(scipy.fft.irfft2(spectrum, s=(height, width)), dtype=np.float32)


def likeness(a: Image, b: Image, offset_px: tuple[float, float]) -> float | None:
    """Correlation of what overlaps when b lies about `offset_px` from a; None if too little overlaps to tell.

    The best within `SLACK_PX`; of nothing in common about 0 is left, since the chance of a high one is taken off.
    """
    windows = overlap_windows((a.shape[0], a.shape[1]), round(offset_px[0]), round(offset_px[1]))
    if windows is None:
        return None
    field, inner = a[windows[0]], b[windows[1]]
    if min(field.shape) < LEAST_SIDE_PX:
        return None
    inner = inner[SLACK_PX:-SLACK_PX, SLACK_PX:-SLACK_PX]
    surface = cv2.matchTemplate(field, inner, cv2.TM_CCOEFF_NORMED)
    return float(surface.max()) - 4.0 / float(np.sqrt(inner.size / 4.0))


def shows_something(a: Image, b: Image, offset_px: tuple[float, float], usual: float) -> bool:
    """Whether both band-passed thumbnails have contrast where they overlap; `usual` is the set's deviation."""
    windows = overlap_windows((a.shape[0], a.shape[1]), round(offset_px[0]), round(offset_px[1]))
    if windows is None:
        return False
    return min(float(a[windows[0]].std()), float(b[windows[1]].std())) > FAINT * usual
