"""Every measure of focus must fall with blur, and ignore brightness."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
import pytest
import skimage.data

from dieplat.focus.measures import MEASURES, modified_laplacian


@pytest.mark.parametrize("name", MEASURES)
def test_more_blur_gives_less(name: str) -> None:
    sharp = skimage.data.gravel().astype(np.float32)
    values = [MEASURES[name](cv2.GaussianBlur(sharp, (0, 0), sigma)).mean() for sigma in (0.5, 1.0, 2.0, 4.0)]
    assert all(a > 1.5 * b for a, b in pairwise(values))
    assert np.allclose(MEASURES[name](sharp + 50), MEASURES[name](sharp))


def test_the_modified_laplacian_does_not_cancel_on_a_saddle() -> None:
    """The case that Nayar and Nakagawa give for it: second derivatives of opposite sign; by hand |2| + |-2| = 4."""
    y, x = np.mgrid[-4:5, -4:5].astype(np.float32)
    saddle = x**2 - y**2
    assert modified_laplacian(saddle)[4, 4] == 4.0
    assert cv2.Laplacian(saddle, cv2.CV_32F)[4, 4] == 0.0
