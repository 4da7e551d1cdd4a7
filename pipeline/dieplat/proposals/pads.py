"""Bond pads: even squares of one size, in rows along the rim."""

from __future__ import annotations

import cv2
import numpy as np

from dieplat.proposals.texture import Texture
from dieplat.proposals.values import Box, Floats, Image

RIM = 0.3
"""Pads lie within this part of the sheet's shorter side from its edge."""
SMALLEST, LARGEST = 0.012, 0.16
"""Their sides, as parts of the sheet's shorter side."""
ALIKE = 0.12
"""Sides of one size agree to this part."""
LEAST = 3
"""Fewer alike squares are no pads."""
FITS, FITS_BETWEEN = 0.6, 0.3
"""Correlation with the usual pad from which a place on in a row is one too, and a place between two pads."""
EXACT = 0.08
"""Part of a pad's side by which one at the end of a row may lie off its place, and off the pad across the die."""


def find_pads(pixels: Image, texture: Texture) -> list[Box]:
    """Pads of a sheet, all of one size; none where fewer than `LEAST` alike squares lie along the rim."""
    squares = _squares(pixels, texture)
    if not squares:
        return []
    sides = np.array([0.5 * (box.width + box.height) for box in squares])
    alike = np.abs(sides[:, None] - sides[None, :]) < ALIKE * sides[None, :]
    usual = int(np.argmax(alike.sum(axis=0) * sides))  # of equally many, the larger: what lies on pads is smaller
    chosen = [box for box, same in zip(squares, alike[:, usual], strict=True) if same]
    if len(chosen) < LEAST:
        return []
    centres = np.array([[0.5 * (box.x0 + box.x1), 0.5 * (box.y0 + box.y1)] for box in chosen])
    side = float(np.median(sides[alike[:, usual]]))
    centres = _in_rows(centres, side, pixels.shape[1], pixels.shape[0])
    if len(centres) < LEAST:
        return []
    pattern, size = _usual_pad(pixels, centres, side)
    centres = _completed(pixels, centres, pattern, size)
    half = 0.5 * size
    return [Box(x - half, y - half, x + half, y + half) for x, y in centres]


def _squares(pixels: Image, texture: Texture) -> list[Box]:
    """Even squares near the rim: connected parts without edges."""
    height, width = pixels.shape[:2]
    short = min(height, width)
    strength = np.sqrt(texture.xx + texture.yy)
    found: list[Box] = []
    for part in (0.06, 0.12, 0.25):
        even = (strength < part * float(np.percentile(strength, 99.0))).astype(np.uint8)
        even = cv2.morphologyEx(even, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        count, _, stats, _ = cv2.connectedComponentsWithStats(even, connectivity=4)
        for x, y, w, h, area in stats[1:count]:
            near = min(x + 0.5 * w, y + 0.5 * h, width - x - 0.5 * w, height - y - 0.5 * h)
            square = min(w, h) > 0.85 * max(w, h) and area > 0.6 * w * h
            if square and SMALLEST * short < max(w, h) < LARGEST * short and near < RIM * short:
                box = Box(float(x), float(y), float(x + w), float(y + h))
                # A spot of even noise within a pad is a square as well, and must not stand for the pad.
                if all(box.shared(other) < 0.5 * max(box.area, other.area) for other in found):
                    found.append(box)
    return found


def _sides_of(centres: Floats, width: int, height: int) -> Floats:
    """Nearest side of the sheet for every centre: 0 left, 1 right, 2 top, 3 bottom."""
    x, y = centres.T
    return np.asarray(np.argmin(np.stack([x, width - x, y, height - y]), axis=0), dtype=np.float64)


def _in_rows(centres: Floats, side: float, width: int, height: int) -> Floats:
    """Those that share their distance from a side of the sheet with another one at least."""
    near = _sides_of(centres, width, height)
    kept = []
    for number in range(4):
        members = centres[near == number]
        depth = members[:, 0 if number < 2 else 1]
        if len(members) > 1:
            alike = (np.abs(depth[:, None] - depth[None, :]) < 0.4 * side).sum(axis=1)
            kept.append(members[alike >= max(2, 0.5 * alike.max())])
    return np.concatenate(kept) if kept else np.zeros((0, 2))


def _patch(pixels: Image, x: float, y: float, half: int) -> Image:
    return np.asarray(cv2.getRectSubPix(pixels, (2 * half + 1, 2 * half + 1), (float(x) - 0.5, float(y) - 0.5)))


def _usual_pad(pixels: Image, centres: Floats, side: float) -> tuple[Image, float]:
    """The median picture of all pads, and their side to the outermost clear edge."""
    half = int(np.ceil(0.75 * side)) + 2
    near = _sides_of(centres, pixels.shape[1], pixels.shape[0])
    patches = np.stack([_patch(pixels, x, y, half).reshape(2 * half + 1, 2 * half + 1, -1) for x, y in centres])
    spans = []
    for upright in (False, True):
        members = patches[(near < 2) == upright]
        if len(members) < 2:
            continue
        middle = np.median(members, axis=0)
        # Across the row: what lies inwards of a pad differs from side to side.
        band = slice(half - int(0.25 * side), half + int(0.25 * side) + 1)
        profile = (middle[:, band].mean(axis=1) if upright else middle[band].mean(axis=0)).astype(np.float64)
        spans.append((_span(profile, half, side), len(members)))
    if not spans:
        spans = [((half - 0.5 * side, half + 0.5 * side), 1)]
    low = float(np.average([span[0] for span, _ in spans], weights=[n for _, n in spans]))
    high = float(np.average([span[1] for span, _ in spans], weights=[n for _, n in spans]))
    margin = round(0.62 * side)
    inner = slice(half - margin, half + margin + 1)
    return np.median(patches, axis=0)[inner, inner].astype(np.float32), high - low


def _span(profile: Floats, half: int, side: float) -> tuple[float, float]:
    """First and last clear edge around the middle of a profile, as array positions."""
    step = np.linalg.norm(np.diff(profile, axis=0), axis=1)
    ends = []
    for direction in (-1, 1):
        places = half + direction * np.arange(round(0.38 * side), round(0.68 * side))
        strength = step[np.clip(places - (direction < 0), 0, len(step) - 1)]
        clear = np.nonzero(strength > 0.5 * strength.max())[0]
        ends.append(float(places[clear[-1]] + 0.5 * direction))
    return ends[0], ends[1]


def _completed(pixels: Image, centres: Floats, pattern: Image, size: float) -> Floats:
    """The rows with the pads that were not seen at first: dirt, scratches and probe marks hide some."""
    height, width = pixels.shape[:2]
    near = _sides_of(centres, width, height)
    found = [*centres]
    pitches = _pitches(centres, near, size)
    for number in range(4):
        members = centres[near == number]
        axis = 1 if number < 2 else 0
        along = np.sort(members[:, axis])
        pitch = pitches.get(number)
        if pitch is None:
            continue
        depth = float(np.median(members[:, 1 - axis]))
        end = width if axis == 0 else height
        for place in np.arange(along[0] % pitch, end, pitch):
            if np.abs(along - place).min() < 0.5 * pitch:
                continue
            at = np.array([place, depth]) if axis == 0 else np.array([depth, place])
            if along[0] < place < along[-1]:
                reach, least = 0.25 * pitch, FITS_BETWEEN
            elif (np.abs(centres[near == number + 1 - 2 * (number % 2), axis] - place) < EXACT * size).any():
                # A row that ends before the one across may have lost its last pad to dirt.
                reach, least = EXACT * size, FITS_BETWEEN
            else:
                reach, least = 0.25 * pitch, FITS
            better = _matched(pixels, at, pattern, reach, least)
            if better is not None and all(np.abs(better - other).max() > 0.9 * size for other in found):
                found.append(better)
    return np.array(found)


def _pitches(centres: Floats, near: Floats, size: float) -> dict[int, float]:
    """Pitch of the row along every side; one that is a multiple of another side's has lost the pads between."""
    found: dict[int, float] = {}
    for number in range(4):
        steps = np.diff(np.sort(centres[near == number, 1 if number < 2 else 0]))
        steps = steps[steps > 0.8 * size]
        if len(steps):
            found[number] = float(np.median(steps[steps < 1.4 * steps.min()]))
    least = min(found.values(), default=0.0)
    for number, pitch in found.items():
        times = round(pitch / least)
        if abs(pitch - times * least) < 0.1 * least:
            found[number] = pitch / times
    return found


def _matched(pixels: Image, at: Floats, pattern: Image, reach: float, least: float) -> Floats | None:
    """Where the usual pad fits best about a place, or None."""
    half, around = pattern.shape[0] // 2, int(np.ceil(reach))
    height, width = pixels.shape[:2]
    x, y = round(float(at[0]) - 0.5), round(float(at[1]) - 0.5)
    x0, y0 = max(x - half - around, 0), max(y - half - around, 0)
    crop = pixels[y0 : min(y + half + around + 1, height), x0 : min(x + half + around + 1, width)]
    if crop.shape[0] < pattern.shape[0] or crop.shape[1] < pattern.shape[1]:
        return None
    crop, pattern = np.ascontiguousarray(crop), np.ascontiguousarray(pattern)
    value = cv2.matchTemplate(crop, pattern.reshape(*pattern.shape[:2], *crop.shape[2:]), cv2.TM_CCOEFF_NORMED)
    row, column = np.unravel_index(int(np.argmax(value)), value.shape)
    if value[row, column] < least:
        return None
    return np.array([x0 + column + half + 0.5, y0 + row + half + 0.5])
