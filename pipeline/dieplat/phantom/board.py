"""An invented circuit board, photographed by hand: tilted, bent by the lens, with a ruler lying on it.

The camera is OpenCV's (`projectPoints`), so that what measures such pictures is checked by another's arithmetic.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.errors import OutputExistsError
from dieplat.files import write_bytes, write_json

Floats = npt.NDArray[np.float64]

BOARD_MM = (60.0, 42.0)
FINE_MM = 0.01
"""Pixels of the drawing that is photographed."""
MAKER = "HALVORSEN & QUILL"
_MASK, _COPPER, _GOLD, _SILK = (28, 74, 52), (52, 104, 72), (196, 164, 92), (214, 218, 210)
_TABLE, _STEEL, _INK, _PACKAGE = (92, 84, 78), (176, 178, 180), (30, 30, 34), (34, 34, 38)


@dataclass(frozen=True, slots=True)
class BoardPlan:
    """How a board is photographed. Standard deviations, drawn anew by every seed."""

    size_px: tuple[int, int] = (1600, 1200)
    tilt_deg: float = 5.0
    focal: tuple[float, float] = (1.5, 3.6)
    """In half diagonals of the picture, even over the logarithm."""
    k1: float = 0.02
    hand_px: float = 0.5
    noise: float = 2.5
    ruler_u_rel: float = 5e-4
    ruler_mm: float = 0.5
    """Thickness of the ruler; its marks lie so far above the board."""
    ruler_u_mm: float = 0.05
    vignetting: float = 0.25
    jpeg_quality: int = 92


@dataclass(frozen=True, slots=True, eq=False)
class _Camera:
    """OpenCV's camera over the board; millimetres, the board's own frame with its middle at 0."""

    matrix: Floats
    distortion: Floats
    turn: Floats
    place: Floats

    def see(self, points_mm: Floats, above_mm: float = 0.0) -> Floats:
        """Places in the picture (pixel edges at whole numbers)."""
        solid = np.column_stack([points_mm, np.full(len(points_mm), -above_mm)])
        found, _ = cv2.projectPoints(solid, self.turn, self.place, self.matrix, self.distortion)
        return np.asarray(found, dtype=np.float64).reshape(-1, 2)

    def plane(self, size_px: tuple[int, int], above_mm: float = 0.0) -> Floats:
        """Where on a plane every pixel's middle looks, (H, W, 2) in millimetres."""
        x, y = np.meshgrid(np.arange(size_px[0]) + 0.5, np.arange(size_px[1]) + 0.5)
        pixels = np.column_stack([x.ravel(), y.ravel()])
        rays = cv2.undistortPoints(pixels.reshape(-1, 1, 2), self.matrix, self.distortion).reshape(-1, 2)
        turn = cv2.Rodrigues(self.turn)[0]
        # The point t (x, y, 1) = turn (X, Y, -above) + place, solved for X and Y by its plane.
        normal = turn[:, 2]
        ground = self.place.ravel() - above_mm * normal
        directions = np.column_stack([rays, np.ones(len(rays))])
        reach = (normal @ ground) / (directions @ normal)
        seen = (directions * reach[:, None] - ground) @ turn
        return np.asarray(seen[:, :2], dtype=np.float64).reshape(size_px[1], size_px[0], 2)


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """What is photographed: the antenna's middle line and width, and how the ruler is made and lies; millimetres."""

    meander: Floats
    width_mm: float
    camera: _Camera
    ruler: float
    """Its true length over what its marks say."""
    ruler_mm: float
    """Height of its marks above the board."""


def make_board(out: Path, *, seed: int, plan: BoardPlan | None = None, replace: bool = False) -> dict[str, Any]:
    """Write board.jpg, board.geojson (what a person would draw) and truth.json into a folder; gives the truth.

    Raises
    ------
    OutputExistsError
        If the folder holds something else.
    """
    plan = plan or BoardPlan()
    if out.exists() and any(out.iterdir()) and not replace:
        raise OutputExistsError(f"{out}: is not empty; give another folder, or --replace")
    out.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, 7])
    scene = _Scene(
        *_meander(rng),
        camera=_camera(plan, rng),
        ruler=1 + plan.ruler_u_rel * float(rng.normal()),
        ruler_mm=plan.ruler_mm + plan.ruler_u_mm * float(rng.normal()),
    )
    picture = _photograph(plan, scene, rng)
    length_mm = float(np.hypot(*np.diff(scene.meander, axis=0).T).sum())
    truth = {
        "seed": seed,
        "traces": [{"name": "Antenna", "length_um": 1e3 * length_mm, "width_um": 1e3 * scene.width_mm}],
        "tilt_deg": [math.degrees(float(value)) for value in scene.camera.turn.ravel()[:2]],
        "focal_half_diagonals": float(scene.camera.matrix[0, 0]) / (0.5 * math.hypot(*plan.size_px)),
        "ruler_scale": scene.ruler,
        "ruler_height_mm": scene.ruler_mm,
    }
    write_json(out / "board.geojson", _drawn(plan, scene, rng))
    quality = [cv2.IMWRITE_JPEG_QUALITY, plan.jpeg_quality]
    write_bytes(out / "board.jpg", cv2.imencode(".jpg", picture[..., ::-1], quality)[1].tobytes())
    write_json(out / "truth.json", truth)
    return truth


def _meander(rng: np.random.Generator) -> tuple[Floats, float]:
    """The middle line of a printed antenna, from its feed, and its width."""
    legs, leg, gap = int(rng.integers(5, 9)), float(rng.uniform(2.6, 4.4)), float(rng.uniform(1.2, 1.7))
    x, y = -0.5 * legs * gap, -12.0
    points = [(x, y + leg + 3.0), (x, y + leg)]
    for number in range(legs):
        up = y if number % 2 == 0 else y + leg
        points += [(x, up), (x + gap, up)]
        x += gap
    points.append((x, y if legs % 2 else y + leg))
    last = points[-1]
    points.append((last[0], last[1] + (leg if legs % 2 else -leg)))
    return _without_repeats(np.array(points)), float(rng.uniform(0.4, 0.6))


def _without_repeats(points: Floats) -> Floats:
    keep = np.append(True, np.hypot(*np.diff(points, axis=0).T) > 1e-9)
    return np.asarray(points[keep])


def _camera(plan: BoardPlan, rng: np.random.Generator) -> _Camera:
    half = 0.5 * math.hypot(*plan.size_px)
    focal = math.exp(rng.uniform(*np.log(plan.focal))) * half
    matrix = np.array([[focal, 0, plan.size_px[0] / 2], [0, focal, plan.size_px[1] / 2], [0, 0, 1.0]])
    # OpenCV's radii are in focal lengths, ours in half diagonals.
    k1 = plan.k1 * float(rng.normal()) * (focal / half) ** 2
    turn = np.radians([*rng.normal(0, plan.tilt_deg, 2), rng.normal(0, 2.0)])
    distance = 1.12 * BOARD_MM[0] * focal / plan.size_px[0]
    place = np.array([rng.normal(0, 0.8), rng.normal(0, 0.8) - 2.0, distance])
    return _Camera(matrix, np.array([k1, 0, 0, 0, 0.0]), np.asarray(turn, dtype=np.float64), place)


def _photograph(plan: BoardPlan, scene: _Scene, rng: np.random.Generator) -> npt.NDArray[np.uint8]:
    board = _sample(_board_sheet(scene.meander, scene.width_mm), scene.camera.plane(plan.size_px), _TABLE)
    at_ruler = scene.camera.plane(plan.size_px, scene.ruler_mm)
    sheet, corner = _ruler_sheet()
    lying = (at_ruler / scene.ruler - corner) / FINE_MM
    inside = _window(lying, sheet.shape[:2])
    strip = cv2.remap(
        sheet, (lying[..., 0] - 0.5).astype(np.float32), (lying[..., 1] - 0.5).astype(np.float32), cv2.INTER_AREA
    )
    seen = np.where(inside[..., None], strip, board).astype(np.float32)
    seen = cv2.GaussianBlur(seen, (0, 0), 0.7)
    y, x = np.mgrid[0 : plan.size_px[1], 0 : plan.size_px[0]]
    radius2 = ((x - plan.size_px[0] / 2) ** 2 + (y - plan.size_px[1] / 2) ** 2) / (np.hypot(*plan.size_px) / 2) ** 2
    seen *= (1 - plan.vignetting * radius2)[..., None].astype(np.float32)
    seen += rng.normal(0, plan.noise, seen.shape).astype(np.float32)
    return np.asarray(np.clip(seen, 0, 255), dtype=np.uint8)


def _sample(sheet: npt.NDArray[np.uint8], where_mm: Floats, outside: tuple[int, int, int]) -> npt.NDArray[np.uint8]:
    place = (where_mm + np.array(BOARD_MM) / 2) / FINE_MM
    return np.asarray(
        cv2.remap(
            sheet,
            (place[..., 0] - 0.5).astype(np.float32),
            (place[..., 1] - 0.5).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=outside,
        )
    )


def _window(place: Floats, shape: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    return np.asarray(
        (place[..., 0] > 0) & (place[..., 1] > 0) & (place[..., 0] < shape[1]) & (place[..., 1] < shape[0])
    )


def _board_sheet(meander: Floats, width_mm: float) -> npt.NDArray[np.uint8]:
    """The board from above, softened to the pixels of a photograph."""
    size = round(BOARD_MM[0] / FINE_MM), round(BOARD_MM[1] / FINE_MM)
    sheet = np.empty((size[1], size[0], 3), np.uint8)
    sheet[:] = _MASK

    def at(x: float, y: float) -> tuple[int, int]:
        return round((x + BOARD_MM[0] / 2) / FINE_MM), round((y + BOARD_MM[1] / 2) / FINE_MM)

    def bar(a: tuple[float, float], b: tuple[float, float], wide: float, colour: tuple[int, int, int]) -> None:
        low, high = np.minimum(a, b) - wide / 2, np.maximum(a, b) + wide / 2
        cv2.rectangle(sheet, at(*low), at(*high), colour, -1)

    # The ground plane ends below the antenna.
    cv2.rectangle(sheet, at(-29.0, -3.6), at(29.0, 20.0), _COPPER, -1)
    for a, b in itertools.pairwise(meander):
        bar(tuple(a), tuple(b), width_mm, _GOLD)
    cv2.rectangle(sheet, at(-3.5, 0.5), at(3.5, 7.5), _PACKAGE, -1)
    for number in range(12):
        for x, y in ((-3.0 + 0.55 * number, 0.1), (-3.0 + 0.55 * number, 7.9)):
            bar((x, y - 0.25), (x, y + 0.25), 0.3, _GOLD)
    for x, y in _HOLES:
        cv2.circle(sheet, at(x, y), round(1.6 / FINE_MM), _GOLD, -1)
        cv2.circle(sheet, at(x, y), round(1.0 / FINE_MM), _TABLE, -1)
    font = cv2.FONT_HERSHEY_SIMPLEX
    cv2.putText(sheet, MAKER, at(-26.0, 12.5), font, 6.0, _SILK, 12, cv2.LINE_AA)
    cv2.putText(sheet, "HQ-2471-EVB", at(8.0, 12.5), font, 4.8, _SILK, 10, cv2.LINE_AA)
    return np.asarray(cv2.GaussianBlur(sheet, (0, 0), 2.0))


_HOLES = ((-27.0, -18.0), (27.0, -18.0), (27.0, 18.0), (-27.0, 18.0))
"""Mounting holes of the board, whose places its drawing states."""
_RULER_AT = (-22.0, 15.0)
_RULER_MARKS = 45
_RULER_HIGH = 5.0


def _ruler_sheet() -> tuple[npt.NDArray[np.uint8], Floats]:
    """A steel ruler with a mark every millimetre, and where its corner lies on the board."""
    size = round((_RULER_MARKS + 2) / FINE_MM), round(_RULER_HIGH / FINE_MM)
    sheet = np.empty((size[1], size[0], 3), np.uint8)
    sheet[:] = _STEEL
    for number in range(_RULER_MARKS):
        x = round((1 + number) / FINE_MM)
        long = 3.2 if number % 10 == 0 else 2.4 if number % 5 == 0 else 1.6
        cv2.rectangle(sheet, (x - 8, 0), (x + 8, round(long / FINE_MM)), _INK, -1)
        if number % 10 == 0:
            cv2.putText(
                sheet, str(number // 10), (x + 24, round(4.4 / FINE_MM)), cv2.FONT_HERSHEY_SIMPLEX, 4.0, _INK, 8
            )
    return np.asarray(cv2.GaussianBlur(sheet, (0, 0), 2.0)), np.array(_RULER_AT)


def _drawn(plan: BoardPlan, scene: _Scene, rng: np.random.Generator) -> dict[str, Any]:
    """What a person would draw, with a hand's errors."""

    def by_hand(points: Floats, above: float = 0.0) -> list[list[float]]:
        seen = scene.camera.see(np.asarray(points, dtype=np.float64), above)
        return [[round(float(v), 2) for v in row] for row in seen + rng.normal(0, plan.hand_px, seen.shape)]

    marks = np.array([(_RULER_AT[0] + 1 + 5 * k, _RULER_AT[1]) for k in range(9)]) * scene.ruler
    ring = by_hand(np.array(_HOLES))
    features = [
        _feature("Antenna", "trace", "LineString", by_hand(scene.meander), width_um=round(1e3 * scene.width_mm)),
        _feature(
            "Ruler",
            "trace",
            "LineString",
            by_hand(marks, scene.ruler_mm),
            every_um=5000.0,
            known_u_um=5000.0 * plan.ruler_u_rel,
            above_um=1e3 * plan.ruler_mm,
            above_u_um=1e3 * plan.ruler_u_mm,
        ),
        _feature("Holes", "other", "Polygon", [[*ring, ring[0]]], sides_um=[54000.0, 36000.0], known_u_um=20.0),
    ]
    return {"type": "FeatureCollection", "coordinates_in": "mosaic_px", "features": features}


def _feature(name: str, kind: str, shape: str, coordinates: list[Any], **more: Any) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {"name": name, "kind": kind, **more},
        "geometry": {"type": shape, "coordinates": coordinates},
    }
