"""Centre lines of planar spirals, and their division into lanes of rectangular section, mitred at corners."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from dieplat.errors import SettingsError
from dieplat.inductance.partial import Array, Filaments
from dieplat.values.bounds import COIL_UM, is_within
from dieplat.values.inductor import InductorGeometry

SIDES = {"square": 4, "hexagon": 6, "octagon": 8}

CIRCLE_STEPS = 48
"""Chords a turn of a circular spiral: the polygon has the circle's length, and its inductance to 1e-3."""

_MITRE_LIMIT = 0.25
"""Least 1 + cos(turning angle) of a mitre: sharper corners are cut off, as they are in a drawn conductor."""


def spiral_path(geometry: InductorGeometry, *, chords: int = CIRCLE_STEPS) -> Array:
    """Centre line of the ideal spiral, (N, 2) in micrometres about (0, 0), from the outer end inward.

    Polygons: the sides are numbered from the outer end; sides 1 to m (m = 4, 6, 8) lie at the apothem
    (outer - width) / 2, the next m at one pitch (width + spacing) less, and so on. Neighbouring sides meet
    where their lines cross, so the last side of every turn is shortened by the step to the next; the very
    last side ends where the next one would begin. The first side starts at the full corner of its turn.
    `turns` counts conductor turns: n turns are n m sides, and a fraction of a side is that fraction of its
    length. So the diameter over the metal of the first turn is `outer_um`, and for n a multiple of one half
    the flat-to-flat inner diameter is outer - 2 n w - 2 (n - 1) s, the convention of Mohan et al. (1999).

    Circles: the radius of the centre line falls steadily with the angle (Archimedes), by one pitch a turn.
    A spiral has no one diameter, so it depends on `geometry.method` what `outer_um` means: a given diameter
    is twice the largest radius of the metal, so the line starts at (outer - width) / 2; a measured one is
    the mean over the directions of the outermost turn, so the line starts half a pitch farther out. The
    latter agrees with inner = outer - 2 n w - 2 (n - 1) s for the mean inner diameter. A turn has `chords` chords.

    Raises
    ------
    SettingsError
        If a number is not finite or not positive, or the turns leave no room inside.
    """
    check_geometry(geometry)
    if geometry.shape == "circle":
        return _round_path(geometry, chords)
    return _polygon_path(geometry)


def check_geometry(geometry: InductorGeometry) -> None:
    """Refuse sizes that no spiral has, with one line that says which and why."""
    named = {
        "turns": geometry.turns,
        "outer": geometry.outer_um,
        "width": geometry.width_um,
        "spacing": geometry.spacing_um,
        "inner": geometry.inner_um,
    }
    for name, value in named.items():
        if not math.isfinite(value):
            raise SettingsError(f"inductor: {name} is {value}; give a finite number")
    for name in ("turns", "outer", "width"):
        if named[name] <= 0.0:
            raise SettingsError(f"inductor: {name} is {named[name]:g}; it must be above zero")
    for name in ("outer", "width", "spacing"):
        if named[name] != 0.0 and not is_within(abs(named[name]), COIL_UM):
            raise SettingsError(f"inductor: {name} is {named[name]:g} um; no coil has that, check the unit")
    if geometry.spacing_um < 0.0 or (geometry.spacing_um == 0.0 and geometry.turns > 1.0):
        raise SettingsError(f"inductor: spacing is {geometry.spacing_um:g} um; turns must lie apart")
    if geometry.inner_um <= 0.0:
        raise SettingsError(
            f"inductor: {geometry.turns:g} turns of {geometry.width_um:g} um width and "
            f"{geometry.spacing_um:g} um spacing leave an inner diameter of {geometry.inner_um:g} um in "
            f"{geometry.outer_um:g} um; "
            "give fewer turns, narrower metal or a larger outer diameter"
        )
    if geometry.inner_um >= geometry.outer_um:
        raise SettingsError(
            f"inductor: the inner diameter {geometry.inner_um:g} um is not below the outer, {geometry.outer_um:g} um"
        )


def _polygon_path(geometry: InductorGeometry) -> Array:
    m = SIDES[geometry.shape]
    pitch = geometry.width_um + geometry.spacing_um
    count = geometry.turns * m
    sides = max(1, math.ceil(count - 1e-9))
    apothem = (geometry.outer_um - geometry.width_um) / 2 - pitch * (np.arange(-1, sides + 1) // m)
    apothem[0] = apothem[1]
    if np.min(apothem[:-1]) <= geometry.width_um / 2:
        raise SettingsError("inductor: the innermost turn has no room; give fewer turns or a larger outer diameter")
    angle = 2 * math.pi / m * np.arange(-1, sides + 1)
    normal = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    tangent = np.stack([-normal[:, 1], normal[:, 0]], axis=1)
    # Line k is {x: normal_k . x = apothem_k}; its crossing with line k + 1 lies this far along its tangent.
    turn = 2 * math.pi / m
    along = (apothem[1:] - apothem[:-1] * math.cos(turn)) / math.sin(turn)
    points = apothem[:-1, None] * normal[:-1] + along[:, None] * tangent[:-1]
    fraction = count - (sides - 1)
    if fraction < 1 - 1e-9:
        points[-1] = points[-2] + fraction * (points[-1] - points[-2])
    return np.asarray(points, dtype=np.float64)


def _round_path(geometry: InductorGeometry, chords: int) -> Array:
    pitch = geometry.width_um + geometry.spacing_um
    steps = max(2, math.ceil(geometry.turns * chords - 1e-9))
    turn = np.linspace(0.0, geometry.turns, steps + 1)
    half = math.pi * geometry.turns / steps
    start = 0.0 if geometry.method == "given" else pitch / 2
    radius = (geometry.outer_um - geometry.width_um) / 2 + start - pitch * turn
    radius *= half / math.sin(half)
    if np.min(radius) <= geometry.width_um / 2:
        raise SettingsError("inductor: the innermost turn has no room; give fewer turns or a larger outer diameter")
    return np.stack([radius * np.cos(2 * math.pi * turn), radius * np.sin(2 * math.pi * turn)], axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """How a conductor's section is divided into K lanes, in parts of its width and thickness; arrays (K,).

    `across`, `up`: middles of the lanes from -0.5 to 0.5; `wide`, `thick`: their own sides.
    """

    across: Array
    up: Array
    wide: Array
    thick: Array

    @staticmethod
    def grid(across: int | Array = 1, deep: int | Array = 1) -> Section:
        """Lanes side by side: how many equal ones over width and thickness, or their rising borders."""
        side, height = _borders(across), _borders(deep)
        count = len(height) - 1
        return Section(
            np.repeat((side[:-1] + side[1:]) / 2, count),
            np.tile((height[:-1] + height[1:]) / 2, len(side) - 1),
            np.repeat(np.diff(side), count),
            np.tile(np.diff(height), len(side) - 1),
        )


def _borders(lanes: int | Array) -> Array:
    if isinstance(lanes, int):
        return np.linspace(-0.5, 0.5, lanes + 1)
    return np.asarray(lanes, dtype=np.float64)


def lanes_of_path(
    path_um: Array, width_um: float | Array, thickness_um: float, section: Section
) -> tuple[Filaments, Array]:
    """Divide a conductor into lanes that run from end to end.

    Parameters
    ----------
    path_um : ndarray (N, 2) or (N, 3)
        Centre line; with a third column, its height. A path whose last point is its first is a closed loop.
    width_um : float or ndarray (N - 1,)
        Width of the whole conductor, or of each of its pieces (a taper); it lies in the plane.
    thickness_um : float
        Thickness of the whole conductor.
    section : Section
        The lanes.

    Returns
    -------
    filaments : Filaments
        lane after lane: filament `lane * (N - 1) + segment`.
    mitre : ndarray (N, 2)
        In-plane offset of the points for a lane at unit distance to the left of the centre line.
    """
    points = np.zeros((len(path_um), 3))
    points[:, : path_um.shape[1]] = path_um
    pieces = len(points) - 1
    mitre = _mitres(points)
    widths = np.broadcast_to(np.asarray(width_um, dtype=np.float64), pieces)
    offset = section.across[:, None] * widths
    height = np.broadcast_to((section.up * thickness_um)[:, None], offset.shape)

    def moved(corners: Array, directions: Array) -> Array:
        shift = np.concatenate([offset[..., None] * directions, height[..., None]], axis=2)
        return np.asarray((corners + shift).reshape(-1, 3))

    filaments = Filaments(
        moved(points[:-1], mitre[:-1]),
        moved(points[1:], mitre[1:]),
        (section.wide[:, None] * widths).ravel(),
        np.repeat(section.thick * thickness_um, pieces),
    )
    return filaments, mitre


def _mitres(points: Array) -> Array:
    step = np.diff(points[:, :2], axis=0)
    length = np.linalg.norm(step, axis=1)
    left = np.stack([-step[:, 1], step[:, 0]], axis=1)
    # A vertical piece (a via) has no direction in the plane: it takes that of the piece before it.
    flat = length > 1e-9
    left[flat] /= length[flat, None]
    known = np.maximum.accumulate(np.where(flat, np.arange(len(flat)), -1))
    known = np.where(known < 0, int(np.argmax(flat)), known)
    left = left[known]
    closed = len(points) > 3 and bool(np.allclose(points[0], points[-1], rtol=0, atol=1e-9))
    before = np.concatenate([left[-1:] if closed else left[:1], left])
    after = np.concatenate([left, left[:1] if closed else left[-1:]])
    cosine = np.einsum("ij,ij->i", before, after)
    return np.asarray((before + after) / np.maximum(1 + cosine, _MITRE_LIMIT)[:, None])
