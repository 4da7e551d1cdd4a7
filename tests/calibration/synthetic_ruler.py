"""A small stage micrometer drawn from closed forms, so that every line's place is known exactly.

A line is a box of stated width blurred by a Gaussian: its profile is a difference of two error functions, put
down at exact sub-pixel places. Independent of the library and of its phantom.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr


@dataclass(frozen=True)
class Ruler:
    """Recipe of a picture; lengths in pixels. `gap_every` etc. name what is wrong with it."""

    pitch_px: float = 17.3
    angle_deg: float = 0.0
    width_px: int = 640
    height_px: int = 480
    line_width_px: float = 4.0
    blur_px: float = 1.2
    length_px: float = 150.0
    fifth_longer: float = 1.25
    tenth_longer: float = 1.5
    contrast: float = 90.0
    minor_contrast: float = 1.0
    background: float = 180.0
    noise: float = 3.0
    shading: float = 0.25
    dirt: int = 0
    digits: bool = False
    missing: tuple[int, ...] = ()
    lines: int | None = None
    shift_px: float = 0.0
    bright: bool = False
    k1: float = 0.0
    aspect_y: float = 1.0
    ruling_error_px: float = 0.0


def draw(ruler: Ruler, seed: int = 0) -> np.ndarray:
    """The picture as float64, about 0..255, by evaluating the closed form at every pixel centre."""
    rng = np.random.default_rng(seed)
    h, w = ruler.height_px, ruler.width_px
    x = np.arange(w) + 0.5 - w / 2
    y = np.arange(h) + 0.5 - h / 2
    x, y = np.meshgrid(x, y)
    ux, uy = _undistorted(x, y, ruler.k1, np.hypot(w, h) / 2)
    # With sy = aspect_y * sx, a pixel step along y is longer on the ruler by that factor.
    angle = np.radians(ruler.angle_deg)
    s = ux * np.cos(angle) + uy * ruler.aspect_y * np.sin(angle)
    t = -ux * np.sin(angle) + uy * ruler.aspect_y * np.cos(angle)
    shade = _lines(ruler, s, t, rng)
    sign = 1.0 if ruler.bright else -1.0
    light = 1.0 - ruler.shading * ((x / w + 0.2) ** 2 + (y / h - 0.1) ** 2) * 2
    base = 40.0 if ruler.bright else ruler.background
    picture = light * (base + sign * ruler.contrast * shade)
    picture = _soil(picture, ruler, s, t, x, y, rng)
    return picture + rng.normal(0.0, ruler.noise, picture.shape)


def _undistorted(x, y, k1, norm):
    """Solve r_distorted = r (1 + k1 (r / norm)^2) for the undistorted place, by fixed-point steps."""
    ux, uy = x.copy(), y.copy()
    for _ in range(12):
        factor = 1 + k1 * (ux**2 + uy**2) / norm**2
        ux, uy = x / factor, y / factor
    return ux, uy


def _lines(ruler: Ruler, s, t, rng) -> np.ndarray:
    reach = int(np.ceil(np.abs(s).max() / ruler.pitch_px)) + 1
    errors = rng.normal(0.0, ruler.ruling_error_px, 2 * reach + 1) if ruler.ruling_error_px else np.zeros(2 * reach + 1)
    index = np.floor((s - ruler.shift_px) / ruler.pitch_px + 0.5).astype(int)
    shade = np.zeros_like(s)
    half = ruler.line_width_px / 2
    for step in (-1, 0, 1):
        i = index + step
        d = s - ruler.shift_px - i * ruler.pitch_px - errors[np.clip(i + reach, 0, 2 * reach)]
        profile = ndtr((d + half) / ruler.blur_px) - ndtr((d - half) / ruler.blur_px)
        ten, five = i % 10 == 0, (i % 5 == 0) & (i % 10 != 0)
        length = ruler.length_px * np.where(ten, ruler.tenth_longer, np.where(five, ruler.fifth_longer, 1.0))
        # All lines stand on one base line; longer ones reach further to one side.
        base = -ruler.length_px / 2
        along = ndtr((t - base) / ruler.blur_px) - ndtr((t - base - length) / ruler.blur_px)
        strength = np.where(ten, 1.0, ruler.minor_contrast)
        present = ~np.isin(i, ruler.missing)
        if ruler.lines is not None:
            present &= np.abs(i) <= ruler.lines // 2
        shade += profile * along * strength * present
    return shade


def _soil(picture, ruler: Ruler, s, t, x, y, rng) -> np.ndarray:
    picture = picture.copy()
    for _ in range(ruler.dirt):
        cx, cy = rng.uniform(x.min(), x.max()), rng.uniform(y.min(), y.max())
        a, b, turn = rng.uniform(2, 14), rng.uniform(2, 6), rng.uniform(0, np.pi)
        p = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)
        q = -(x - cx) * np.sin(turn) + (y - cy) * np.cos(turn)
        picture -= rng.uniform(30, 110) * np.exp(-(((p / a) ** 2 + (q / b) ** 2) ** 2))
    if ruler.digits:
        top = ruler.length_px * (ruler.tenth_longer - 0.5) + 8
        for i in range(-60, 61, 10):
            for _ in range(3):
                ds, dt = rng.uniform(-10, 10), rng.uniform(0, 24)
                long_s = rng.random() < 0.5
                a, b = (7.0, 1.8) if long_s else (1.8, 9.0)
                u, v = (s - i * ruler.pitch_px - ds) / a, (t - top - dt) / b
                picture -= 90 * (np.abs(u) < 1) * (np.abs(v) < 1)
    return picture


def as_uint8(picture: np.ndarray) -> np.ndarray:
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def as_uint16(picture: np.ndarray) -> np.ndarray:
    return np.clip(np.rint(picture * 200), 0, 65535).astype(np.uint16)
