"""From colour to metal: which pixels of an outline are conductor, as a number between 0 and 1."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.errors import UndecidedError

Image = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

# A half-level crossing needs the two levels several noise deviations apart to have one crossing an edge.
LEAST_CONTRAST = 2.5
CLASS_ROUNDS = 4
# Radius of the middle that is looked at for the ground's colour, in parts of the outline's size.
MIDDLE_PART = 0.07
# Weights of red, green and blue in the brightness that JPEG keeps at full sharpness (Recommendation ITU-R BT.601).
BRIGHTNESS = np.array([0.299, 0.587, 0.114], dtype=np.float32)
# Where brightness has this part of the whole step from background to metal, it is enough to follow the winding by.
BRIGHT_PART = 0.4
# Edges are better measured on brightness down to this part of the step, as colour then has half the sharpness and a
# quarter of the samples, and up to this noise in parts of the step of brightness, which the mean of many columns bears.
BRIGHT_EDGE_PART, BRIGHT_EDGE_NOISE = 0.2, 0.1
# Means over two by two pixels halve the noise, and neighbours share it. This is halfway to that.
HALVED_NOISE_PART = 0.75
# By so many of 255 levels JPEG's rounding (quality 92, 4:2:0) put all edges of a winding off in one sense, as it takes
# the finest detail of low contrast away: rms over 130 windings of bench/inductor_figures.py read on brightness (0.12)
# and 69 on colour, which is rounded more coarsely and has half the sharpness (0.75; seeds 5000 to 5199).
BRIGHT_LEVELS, COLOUR_LEVELS = 0.12, 0.75


@dataclass(frozen=True, slots=True, eq=False)
class MetalImage:
    """`soft` is 0 on bare background and 1 on metal, (H, W) float32; `noise` is its deviation.

    `dark` is how much darker a pixel is than the darker of both, as a part of that: dirt is, no layer of a die
    is (common practice, no source). `sharp` is `soft` as the edges are best measured on: by brightness, where colour
    was stored at half the sharpness; `by_colour` says that colour alone shows them. `off` is by what part of the step
    its half level may be off all over the winding (k = 1), by JPEG's rounding;
    0 where no trace of it is seen.
    """

    soft: Image
    dark: Image
    inside: Mask
    noise: float
    sharp: Image
    off: float
    by_colour: bool = False


def separate_metal(image: npt.NDArray[np.generic], inside: Mask) -> MetalImage:
    """Tell metal from background whatever their colours, under smoothly uneven light.

    The colours are projected onto the direction that separates the two classes best (Fisher's discriminant,
    started from the first principal component of the local contrast). Both levels are then fitted as
    quadratic surfaces, so the half level follows the light. Background is what the outline's middle shows: its
    rim may lie on metal, that of a ring around the winding or its own.

    Parameters
    ----------
    image : ndarray of shape (H, W) or (H, W, 3), any real dtype
        The crop, in arbitrary units.
    inside : ndarray of shape (H, W), bool
        True inside the outline.

    Raises
    ------
    UndecidedError
        If there are not two levels inside the outline.
    """
    colours = np.asarray(image, dtype=np.float32)
    if colours.ndim == 2:
        colours = colours[..., None]
    size_px = float(np.sqrt(inside.sum()))
    contrast = _local_contrast(colours, inside, 0.15 * size_px)
    axis = _principal_axis(contrast, inside)
    high = _otsu(contrast @ axis, inside)
    if colours.shape[2] > 1:
        axis = _discriminant(contrast, high, inside, axis)
        high = _otsu(contrast @ axis, inside)
    if _ground_is(high, inside, size_px):
        high = inside & ~high
        axis = -axis
    step = contrast[high].mean(axis=0) - contrast[inside & ~high].mean(axis=0)
    bright, halved = 0.0, False
    if colours.shape[2] == len(BRIGHTNESS) and _halved(colours, step, _flat(high, inside)):
        bright, halved = float(step @ BRIGHTNESS) / float(np.linalg.norm(step)), True
        if abs(bright) >= BRIGHT_PART:
            axis = np.sign(bright) * BRIGHTNESS
    soft = _normalise(np.asarray(colours @ axis, dtype=np.float32), high, inside)
    noise = _noise(soft, _flat(soft > 0.5, inside))
    if noise * LEAST_CONTRAST > 1.0:
        raise UndecidedError("metal and background are not distinct enough inside the outline")
    sharp, by_colour, off = soft, False, 0.0
    if halved:
        if abs(bright) < BRIGHT_PART:
            by_bright = _by_brightness(np.sign(bright) * (colours @ BRIGHTNESS), soft, inside, bright)
            sharp, by_colour = (soft, True) if by_bright is None else (by_bright, False)
        off = COLOUR_LEVELS if by_colour else BRIGHT_LEVELS / abs(bright)
        off *= _level(image) / float(np.linalg.norm(step))
    dark = _darker(colours.mean(axis=2), soft, inside)
    return MetalImage(_clipped(soft), dark, inside, noise, _clipped(sharp), off, by_colour)


def _blur(image: Image, sigma_px: float) -> Image:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma_px, borderType=cv2.BORDER_REPLICATE), np.float32)


def _local_contrast(colours: Image, inside: Mask, sigma_px: float) -> Image:
    """Difference from the mean of the surroundings inside the outline, (H, W, C)."""
    weight = inside.astype(np.float32)
    norm = np.maximum(_blur(weight, sigma_px), 1e-3)
    planes = [
        _blur(np.ascontiguousarray(colours[..., c]), 0.8)
        - _blur(np.ascontiguousarray(colours[..., c] * weight), sigma_px) / norm
        for c in range(colours.shape[2])
    ]
    return np.stack(planes, axis=-1)


def _principal_axis(contrast: Image, inside: Mask) -> npt.NDArray[np.float32]:
    samples = contrast[inside].astype(np.float64)
    covariance = samples.T @ samples / max(len(samples), 1)
    return np.asarray(np.linalg.eigh(covariance)[1][:, -1], dtype=np.float32)


def _discriminant(
    contrast: Image, high: Mask, inside: Mask, fallback: npt.NDArray[np.float32]
) -> npt.NDArray[np.float32]:
    a, b = contrast[high].astype(np.float64), contrast[inside & ~high].astype(np.float64)
    if len(a) < 20 or len(b) < 20:
        return fallback
    within = np.cov(a.T) + np.cov(b.T)
    # The ridge keeps a noiseless channel from taking the whole axis.
    within += np.eye(len(within)) * (0.05 * np.trace(within) / len(within) + 1e-9)
    axis = np.linalg.solve(within, a.mean(axis=0) - b.mean(axis=0))
    length = float(np.linalg.norm(axis))
    return np.asarray(axis / length, dtype=np.float32) if length > 0 else fallback


def _by_brightness(bright: Image, soft: Image, inside: Mask, part: float) -> Image | None:
    """Brightness where metal is 1 and background 0, None where it has too little contrast to measure edges on.

    `part`: how much of the step from background to metal is brightness.
    """
    if abs(part) < BRIGHT_EDGE_PART:
        return None
    metal = np.asarray(inside & (soft > 0.5))
    try:
        found = _normalise(bright, metal, inside)
    except UndecidedError:
        return None
    return found if _noise(found, _flat(metal, inside)) <= BRIGHT_EDGE_NOISE else None


def _halved(colours: Image, step: npt.NDArray[np.float32], flat: Mask) -> bool:
    """Whether colour is stored at half the sharpness, told by its noise, along what of `step` is not brightness.

    Cameras with one chip do so, and JPEG in its usual form (Recommendation ITU-T T.81, A.1.1, from memory: colour
    sampled once for two by two pixels, 4:2:0), which moves the edges of narrow bands. A camera with three sensors has
    the same noise in all channels, and none of it is its neighbour's. A picture without noise may be either.
    """
    bright = BRIGHTNESS / np.linalg.norm(BRIGHTNESS)
    colour = step - (step @ bright) * bright
    length = float(np.linalg.norm(colour))
    if length == 0.0:
        return False
    plane = np.asarray(colours @ (colour / length), dtype=np.float32)
    noise = _noise(plane, flat)
    others = max(_noise(plane, flat, apart=2), _noise(np.asarray(colours @ bright, dtype=np.float32), flat))
    return not noise > HALVED_NOISE_PART * others


def _level(image: npt.NDArray[np.generic]) -> float:
    """One of 255 levels in the picture's own unit."""
    unsigned = image.dtype.kind == "u"
    most = 2.0 ** (8 * image.dtype.itemsize) - 1.0 if unsigned else float(np.asarray(image, dtype=np.float64).max())
    return most / 255.0


def _otsu(value: npt.NDArray[np.floating], inside: Mask) -> Mask:
    samples = value[inside]
    low, top = np.percentile(samples, [0.5, 99.5])
    if not top > low:
        raise UndecidedError("the picture is blank inside the outline")
    counts, edges = np.histogram(np.clip(samples, low, top), 128)
    middles = 0.5 * (edges[1:] + edges[:-1])
    below = np.cumsum(counts)
    above = below[-1] - below
    mean_below = np.cumsum(counts * middles)
    with np.errstate(invalid="ignore", divide="ignore"):
        gap = mean_below / below - (mean_below[-1] - mean_below) / above
        between = below * above * gap**2
    cut = edges[1 + int(np.nanargmax(between))]
    return np.asarray(inside & (value > cut))


def _near_edge(mask: Mask, reach_px: int) -> Mask:
    kernel = np.ones((2 * reach_px - 1, 2 * reach_px - 1), np.uint8)
    bits = mask.astype(np.uint8)
    return np.asarray(cv2.dilate(bits, kernel) != cv2.erode(bits, kernel))


def _ground_is(high: Mask, inside: Mask, size_px: float) -> bool:
    """Whether the middle of the outline, which a winding leaves free, belongs to the class `high`."""
    y, x = np.nonzero(inside)
    rows, columns = np.indices(inside.shape)
    middle = inside & (np.hypot(columns - x.mean(), rows - y.mean()) < max(4.0, MIDDLE_PART * size_px))
    return bool(high[middle].mean() > 0.5) if middle.any() else False


def _surface(value: Image, chosen: Mask, basis: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """A quadratic fitted to the chosen pixels, twice, without those far off it the first time."""
    design, target = basis[chosen], value[chosen].astype(np.float64)
    step = max(1, len(target) // 20000)
    design, target = design[::step], target[::step]
    fit = np.linalg.lstsq(design, target, rcond=None)[0]
    for _ in range(2):
        off = np.abs(target - design @ fit)
        keep = off <= 3.0 * 1.4826 * np.median(off) + 1e-9
        fit = np.linalg.lstsq(design[keep], target[keep], rcond=None)[0]
    return np.asarray(basis @ fit)


def _normalise(value: Image, high: Mask, inside: Mask) -> Image:
    basis = _basis(value.shape)
    metal = high
    soft = np.zeros_like(value)
    for _ in range(CLASS_ROUNDS):
        edge = _near_edge(metal, 2)
        up, down = metal & ~edge, inside & ~metal & ~edge
        if up.sum() < 60:
            up = metal
        if down.sum() < 60:
            down = inside & ~metal
        if up.sum() < 60 or down.sum() < 60:
            raise UndecidedError("the picture shows one level only inside the outline")
        top, floor = _surface(value, up, basis), _surface(value, down, basis)
        span = top - floor
        least = 0.25 * float(np.median(span[inside]))
        if least <= 0:
            raise UndecidedError("metal and background are not distinct enough inside the outline")
        soft = ((value - floor) / np.maximum(span, least)).astype(np.float32)
        metal = np.asarray(inside & (_blur(soft, 0.7) > 0.5))
    return soft


def _darker(bright: Image, soft: Image, inside: Mask) -> Image:
    """How much darker than both metal and background, as a part of the darker one's brightness."""
    metal = inside & (soft > 0.5)
    edge = _near_edge(metal, 2)
    levels = []
    for chosen in (metal, inside & ~metal):
        clear = chosen & ~edge
        levels.append(_surface(bright, clear if clear.sum() >= 60 else chosen, _basis(bright.shape)))
    least = np.minimum(*levels)
    return np.asarray(1.0 - _blur(bright, 0.8) / np.maximum(least, 1e-6), dtype=np.float32)


def _basis(shape: tuple[int, ...]) -> npt.NDArray[np.float64]:
    """Of a quadratic surface, (H, W, 6)."""
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def _flat(metal: Mask, inside: Mask) -> Mask:
    """Pixels clear of any edge, all if there are hardly any."""
    flat = inside & ~_near_edge(metal, 3)
    return flat if flat.sum() >= 30 else inside


def _clipped(soft: Image) -> Image:
    return np.clip(soft, -0.6, 1.6).astype(np.float32)


def _noise(soft: Image, flat_parts: Mask, *, apart: int = 1) -> float:
    """From the second difference along rows, free of any slope: its variance is six times the noise's.

    `apart`: of pixels so far apart.
    """
    second = soft[:, 2 * apart :] - 2 * soft[:, apart:-apart] + soft[:, : -2 * apart]
    return float(1.4826 * np.median(np.abs(second[flat_parts[:, apart:-apart]])) / np.sqrt(6.0))
