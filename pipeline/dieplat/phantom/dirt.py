"""Dirt on top of a die: it belongs to the die, so overlapping tiles see the same grains and scratches."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from shapely.geometry import LineString, Polygon

from dieplat.phantom.cells import tinted
from dieplat.phantom.layers import Sheet, Spot

Float = npt.NDArray[np.float64]


def add_dirt(sheet: Sheet, die: tuple[float, float], rng: np.random.Generator, *, amount: float = 1.0) -> None:
    """Dust grains, scratches, fibres and faint residue, over the die and a little beyond it."""
    width, height = die
    area_mm2 = width * height / 1e6
    low, high = np.array([-40.0, -40.0]), np.array([width + 40.0, height + 40.0])

    def place() -> Float:
        return np.asarray(rng.uniform(low, high))

    for _ in range(int(amount * 10 * area_mm2) + 2):
        x, y = place()
        colour = tinted((0.45, 0.38, 0.30), rng, 0.08)
        sheet.layers.append(Spot(colour, (x, y), float(rng.uniform(20.0, 90.0)), float(rng.uniform(0.03, 0.10)), 2.0))
    for _ in range(int(amount * 90 * area_mm2) + 3):
        x, y = place()
        radius = float(np.clip(rng.lognormal(0.25, 0.55), 0.5, 6.5))
        grain = _blob((x, y), radius, rng)
        sheet.layers.append(Spot((0.20, 0.17, 0.16), (x, y), 1.6 * radius, 0.35, 2.0))
        sheet.area(tinted((0.16, 0.13, 0.12), rng, 0.03), grain, float(rng.uniform(0.7, 0.95)))
        if radius > 1.6:
            shine = _blob((x - 0.3 * radius, y - 0.35 * radius), 0.28 * radius, rng)
            sheet.area((0.85, 0.82, 0.76), shine, 0.7)
    for _ in range(int(amount * 9 * area_mm2) + 1):
        start = place()
        turn = rng.uniform(0.0, np.pi)
        line = _wander(start, turn, float(rng.lognormal(4.0, 0.6)), rng, bend=0.008)
        light = rng.random() < 0.6
        sheet.area(
            (0.88, 0.82, 0.74) if light else (0.22, 0.19, 0.20),
            line.buffer(float(rng.uniform(0.25, 0.6))),
            float(rng.uniform(0.25, 0.55)),
        )
    for _ in range(int(amount * 1.6 * area_mm2) + 1):
        fibre = _wander(place(), rng.uniform(0.0, np.pi), float(rng.uniform(60.0, 180.0)), rng, bend=0.16)
        sheet.area((0.16, 0.13, 0.14), fibre.buffer(1.5), 0.7)
        sheet.area((0.50, 0.44, 0.42), fibre.buffer(0.5), 0.6)


def _blob(centre: tuple[float, float], radius: float, rng: np.random.Generator) -> Polygon:
    angle = np.linspace(0.0, 2.0 * np.pi, 14, endpoint=False)
    reach = radius * (1.0 + 0.35 * np.convolve(np.tile(rng.standard_normal(14), 3), [0.25, 0.5, 0.25], "same")[14:28])
    squash = rng.uniform(0.6, 1.0)
    points = np.column_stack([np.cos(angle), squash * np.sin(angle)]) * np.maximum(reach, 0.25 * radius)[:, None]
    turn = rng.uniform(0.0, np.pi)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return Polygon(points @ matrix + np.asarray(centre)).buffer(0)


def _wander(start: Float, turn: float, length: float, rng: np.random.Generator, *, bend: float) -> LineString:
    steps = 48
    curl = 6.0 * bend * rng.normal()
    heading = turn + np.cumsum(rng.normal(0.0, bend, steps)) + curl * np.arange(steps) / steps
    path = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]) * (length / steps), axis=0)
    return LineString(np.asarray(start) + np.vstack([[0.0, 0.0], path]))
