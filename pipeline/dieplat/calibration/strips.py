"""The direction of a ruling, and the picture turned so that its lines run down the columns of strips."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Grey = npt.NDArray[np.float32]

SHORTEST_STRIP_PX = 8
STRIPS = 48
NEXT_TO_AXIS = float(np.radians(1.0))
"""A strip of 25 rows, of a picture 1200 px high, smears a line that leans so by less than half a pixel."""


@dataclass(frozen=True, slots=True, eq=False)
class Strips:
    """Mean profiles across the lines, one a strip.

    s runs along the ruling's normal (cos `angle_rad`, sin `angle_rad`), t along its lines, both from the
    picture's centre in pixels. Column j of `profile` lies at s = `s0_px` + j.

    profile : ndarray (strips, columns), float64, shading removed, 0 where the picture has no data.
    weight : ndarray (strips, columns), float64, how many pixels went into each mean.
    t_px : ndarray (strips,), float64, the middle of each strip.
    tall_px : rows a strip.
    unturned : strips of the picture as it is, where the ruling lies next to one of its axes.
    """

    angle_rad: float
    s0_px: float
    profile: Floats
    weight: Floats
    t_px: Floats
    tall_px: int
    unturned: Strips | None = None

    def mean(self, chosen: npt.NDArray[np.intp] | slice) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """The mean profile of some strips, and where at least 60 % of the fullest column's pixels exist."""
        weight = self.weight[chosen].sum(axis=0)
        total = (self.profile[chosen] * self.weight[chosen]).sum(axis=0)
        valid = weight > 0.6 * max(weight.max(initial=0.0), 1.0)
        return np.where(valid, total / np.maximum(weight, 1.0), 0.0), valid


def to_grey(picture: npt.NDArray[np.generic]) -> Grey:
    """Grey float32 of a grey or RGB picture (Rec. 601 luma weights, ITU-R BT.601)."""
    values = np.asarray(picture, dtype=np.float32)
    if values.ndim == 3:
        values = values[..., :3] @ np.array([0.299, 0.587, 0.114], dtype=np.float32)
    return np.ascontiguousarray(values, dtype=np.float32)


def without_shading(grey: Grey) -> Grey:
    """Subtract the slow part of the light, so that only lines, digits, dirt and noise remain."""
    sigma = max(grey.shape) / 12.0
    # A mean over a coarse copy is as smooth and far quicker than a wide blur of the full picture.
    factor = max(1, int(sigma / 8))
    size = (max(8, grey.shape[1] // factor), max(8, grey.shape[0] // factor))
    coarse = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(coarse, (0, 0), sigma / factor, borderType=cv2.BORDER_REFLECT)
    slow = cv2.resize(smooth, (grey.shape[1], grey.shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(grey - slow, dtype=np.float32)


def direction_candidates(flat: Grey, *, count: int = 3) -> list[float]:
    """Likely directions of the ruling's normal, in radians in [0, pi), the likeliest first.

    Peaks of the orientation histogram of the structure tensor, each pixel weighted by the difference of the
    tensor's eigenvalues (J. Bigun and G. H. Granlund, "Optimal orientation detection of linear symmetry",
    Proc. 1st ICCV, 433-438 (1987); from memory). Noise without direction adds the same to every angle.
    """
    blurred = cv2.GaussianBlur(flat, (0, 0), 1.2)
    gx = cv2.Scharr(blurred, cv2.CV_32F, 1, 0)
    gy = cv2.Scharr(blurred, cv2.CV_32F, 0, 1)
    even = cv2.GaussianBlur(gx * gx - gy * gy, (0, 0), 3.0)
    odd = cv2.GaussianBlur(2.0 * gx * gy, (0, 0), 3.0)
    strength = np.hypot(even, odd)
    # Dirt and digits are strong but few; the square root keeps long faint lines in the vote.
    bins = 360
    index = np.floor(np.mod(np.arctan2(odd, even) / 2.0, np.pi) / np.pi * bins).astype(np.intp) % bins
    votes = np.bincount(index.ravel(), weights=np.sqrt(strength).ravel().astype(np.float64), minlength=bins)
    kernel = np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2)
    votes = np.convolve(np.concatenate([votes[-6:], votes, votes[:6]]), kernel / kernel.sum(), mode="valid")
    found: list[float] = []
    for _ in range(count):
        best = int(np.argmax(votes))
        found.append((best + 0.5) / bins * np.pi)
        distance = np.abs((np.arange(bins) - best + bins // 2) % bins - bins // 2)
        # Within 20 degrees lie the flanks of the same lines, seen by strips too short to tell.
        votes[distance < 40] = -1.0
    return found


def cut_strips(flat: Grey, angle_rad: float) -> Strips:
    """Turn the picture so that the ruling's normal lies along s, and average it in strips along t.

    Cubic interpolation; strips are `STRIPS` to the picture's extent along the lines, but never under 8 px,
    so that a line's lean of 1.5 degrees smears it by a quarter of a pixel at most.
    """
    height, width = flat.shape
    cosine, sine = np.cos(angle_rad), np.sin(angle_rad)
    half_s = (abs(width * cosine) + abs(height * sine)) / 2.0
    half_t = (abs(width * sine) + abs(height * cosine)) / 2.0
    along, across = (width, height) if abs(cosine) >= abs(sine) else (height, width)
    columns, rows = _as_even_as(along, 2 * half_s), _as_even_as(across, 2 * half_t)
    s0, t0 = -(columns - 1) / 2.0, -(rows - 1) / 2.0
    # Target sample (j, i) comes from source sample centre + s n + t m, with m = (-sin, cos).
    matrix = np.array(
        [
            [cosine, -sine, (width - 1) / 2.0 + s0 * cosine - t0 * sine],
            [sine, cosine, (height - 1) / 2.0 + s0 * sine + t0 * cosine],
        ]
    )
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    turned = cv2.warpAffine(flat, matrix, (columns, rows), flags=flags, borderMode=cv2.BORDER_REFLECT)
    inside = np.zeros((height, width), dtype=np.float32)
    inside[2:-2, 2:-2] = 1.0
    mask = cv2.warpAffine(inside, matrix, (columns, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP) > 0.999
    tall = max(SHORTEST_STRIP_PX, rows // STRIPS)
    starts = np.arange(0, rows - tall + 1, tall)
    used = len(starts) * tall
    weight = mask[:used].reshape(len(starts), tall, columns).sum(axis=1).astype(np.float64)
    total = (turned * mask)[:used].reshape(len(starts), tall, columns).sum(axis=1, dtype=np.float64)
    profile = np.where(weight >= 0.7 * tall, total / np.maximum(weight, 1.0), 0.0)
    weight = np.where(weight >= 0.7 * tall, weight, 0.0)
    return Strips(float(angle_rad), s0, profile, weight, (t0 + starts + (tall - 1) / 2.0).astype(np.float64), tall)


def with_unturned(strips: Strips, flat: Grey) -> Strips:
    """The strips with those of the picture that they were cut from; see `Strips.unturned`."""
    axis = round(strips.angle_rad / (np.pi / 2.0)) * np.pi / 2.0
    if abs(strips.angle_rad - axis) > NEXT_TO_AXIS:
        return strips
    return replace(strips, unturned=cut_strips(flat, axis))


def _as_even_as(pixels: int, extent_px: float) -> int:
    """Samples over an extent, even or odd as `pixels` is: next to an axis they then lie on pixels and not between."""
    count = int(np.ceil(extent_px))
    return count + (count - pixels) % 2


def lean_of(strips: Strips) -> tuple[float, float]:
    """The shear ds/dt that stacks the strips into the sharpest profile, and that profile's energy.

    A search over +-2 degrees in 0.1 degree, refined twice. Each strip is shifted by a phase in the Fourier
    domain (shift theorem), below a quarter of the sampling rate; the energy is that of the stacked profile.
    """
    columns = strips.profile.shape[1]
    padded = 1 << int(np.ceil(np.log2(1.1 * columns)))
    spectrum = np.fft.rfft(strips.profile * strips.weight, padded, axis=1)[:, 1 : padded // 4]
    frequency = np.arange(1, padded // 4) / padded
    turn = 2j * np.pi * strips.t_px[:, None] * frequency[None, :]
    support = max(float(np.sum(strips.weight.sum(axis=0) ** 2)), 1.0)
    centre, step, energy = 0.0, float(np.radians(0.1)), -1.0
    for _ in range(3):
        stacked = spectrum * np.exp(turn * (centre - 20 * step))
        advance = np.exp(turn * step)
        scores = np.empty(41)
        for k in range(41):
            scores[k] = float(np.sum(np.abs(stacked.sum(axis=0)) ** 2))
            stacked = stacked * advance
        best = int(np.argmax(scores))
        centre += (best - 20) * step
        energy = float(scores[best]) * 2.0 / padded / support * columns
        step /= 10.0
    return centre, energy
