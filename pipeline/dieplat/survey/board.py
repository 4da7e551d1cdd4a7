"""The traces of a circuit board from one photograph: known things, camera, lengths, verdicts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from shapely.geometry import LineString

from dieplat.annotations import check_inside
from dieplat.antenna.microstrip import effective_permittivity
from dieplat.antenna.quarter_wave import Factor, check_frequency, compare_with_quarter_wave
from dieplat.board.fit import DOUBTFUL, Usual, fit_camera
from dieplat.board.lengths import path_length
from dieplat.board.middle import centred_path
from dieplat.board.references import is_known, known_shapes
from dieplat.errors import AnnotationError, SettingsError
from dieplat.survey.blocks import factor_of
from dieplat.values import Region, Regions
from dieplat.values.board import BoardCamera, BoardMeasurements, BoardTrace, Floats, KnownShape
from dieplat.values.measurements import QuarterWave


@dataclass(frozen=True, slots=True)
class WaveQuestion:
    """What the traces are compared with; see `compare_with_quarter_wave`."""

    frequency_hz: float | None = None
    velocity_factor: Factor | None = None
    shortening_factor: Factor | None = None


def velocity_range(permittivity: Factor, *, width_um: float, board_um: float, over_ground: bool) -> Factor:
    """The velocity factor of a trace from the board it is printed on.

    Over a ground plane the effective permittivity of a microstrip line holds. A printed antenna stands clear of ground
    and sees less of the board: its factor lies between that line's and 1 (common practice, no source).

    Parameters
    ----------
    permittivity : float or pair of float
        Relative permittivity of the board, or its least and largest.
    width_um, board_um : float
        Width of the trace and thickness of the board.
    over_ground : bool
        Whether the trace runs over a ground plane.

    Raises
    ------
    SettingsError
        If a number is outside the formula's range.
    """
    if not (width_um > 0 and board_um > 0 and math.isfinite(width_um) and math.isfinite(board_um)):
        raise SettingsError(f"a trace of {width_um:g} um on a board of {board_um:g} um: both must be above 0")
    low, high = permittivity if isinstance(permittivity, tuple) else (permittivity, permittivity)
    slowest, fastest = (
        1 / math.sqrt(effective_permittivity(value, width_over_height=width_um / board_um)) for value in (high, low)
    )
    if not over_ground:
        return slowest, 1.0
    return (slowest, fastest) if slowest < fastest else slowest


def measure_board(
    regions: Regions,
    picture: npt.NDArray[np.generic],
    *,
    usual: Usual | None = None,
    question: WaveQuestion | None = None,
    find_middle: bool = False,
) -> BoardMeasurements:
    """Measure every trace of a photographed board.

    Parameters
    ----------
    regions : Regions
        What is known (see `board.references`) and the paths of kind `trace`, in the picture's pixels.
    picture : ndarray of shape (H, W) or (H, W, 3)
        The photograph.
    usual : Usual, optional
        What is taken of the camera, and how well points are set.
    question : WaveQuestion, optional
        A frequency, and factors for traces that state none themselves.
    find_middle : bool
        Put every trace that states its width on the middle of its conductor (`board.middle`).

    Raises
    ------
    AnnotationError
        If nothing known or no trace is drawn, something is drawn outside the picture, or the known things contradict
        one another.
    SettingsError
        If a frequency or factor is none.
    """
    usual, question = usual or Usual(), question or WaveQuestion()
    if question.frequency_hz is not None:
        check_frequency(question.frequency_hz)
    paths = tuple(region for region in regions.of_kind("trace") if not is_known(region))
    if not paths:
        raise AnnotationError(f"{regions.source}: no trace is drawn; draw a line of kind trace along it")
    check_inside(regions, picture.shape[1], picture.shape[0], picture="photograph")
    try:
        shapes = known_shapes(regions.regions)
        camera = fit_camera(shapes, size_px=(picture.shape[1], picture.shape[0]), usual=usual)
    except AnnotationError as error:
        raise AnnotationError(f"{regions.source}: {error}") from None
    seen = picture if find_middle else None
    traces = tuple(_trace(path, seen, camera, usual.point_u_px, question) for path in paths)
    return BoardMeasurements(
        source=regions.source,
        camera=camera,
        traces=traces,
        assumptions=tuple(_assumptions(shapes, usual)),
        warnings=tuple(_warnings(camera, shapes, paths)),
    )


def _trace(
    path: Region,
    picture: npt.NDArray[np.generic] | None,
    camera: BoardCamera,
    point_u_px: float,
    question: WaveQuestion,
) -> BoardTrace:
    points, u_px, how = _points(path), np.full(len(path.geometry.coords), point_u_px), "as drawn"
    if picture is not None and path.width_um is None:
        how = "as drawn: its middle cannot be looked for without width_um"
    elif picture is not None and path.width_um is not None:
        centred = centred_path(picture, points, camera=camera, width_um=path.width_um, hand_u_px=point_u_px)
        points, u_px = centred.points_px, centred.u_px
        how = f"{centred.found} of {centred.pieces} pieces put on the middle of the conductor"
    length, budget = path_length(camera, points, point_u_px=u_px)
    u = math.hypot(*(line.u for line in budget))
    wave: QuarterWave | None = None
    if question.frequency_hz is not None:
        try:
            wave = compare_with_quarter_wave(
                length,
                question.frequency_hz,
                length_um_u=u,
                velocity_factor=factor_of(path, "velocity_factor", question.velocity_factor),
                shortening_factor=factor_of(path, "shortening_factor", question.shortening_factor),
            )
        except SettingsError as error:
            raise SettingsError(f"trace '{path.name}': {error}") from None
    return BoardTrace(path.name, length, u, budget, points, how, wave)


def _points(path: Region) -> Floats:
    if not isinstance(path.geometry, LineString):
        raise AnnotationError(f"trace '{path.name}': is no line; draw a line along its middle")
    return np.asarray(path.geometry.coords, dtype=np.float64)[:, :2]


def _assumptions(shapes: tuple[KnownShape, ...], usual: Usual) -> list[str]:
    focal = "a usual one" if usual.focal_mm is None else f"{usual.focal_mm:g} mm over a 24 x 36 mm picture"
    lines = [
        f"points are set by hand to {usual.point_u_px:g} px (standard uncertainty of each coordinate)",
        f"the camera was held square to {usual.tilt_u_deg:g} degrees, its lens is {focal}, with distortion of "
        f"{usual.k1_u:g} at the corners (standard uncertainties), unless the known things show more",
        "a trace is measured along the middle of the conductor, from end to end of what was drawn",
    ]
    level = [shape.name for shape in shapes if shape.above_um == 0.0]
    if level:
        lines.append(f"in the plane of the traces lie: {', '.join(level)}; a ruler's own thickness matters (above_um)")
    return lines


def _warnings(camera: BoardCamera, shapes: tuple[KnownShape, ...], paths: tuple[Region, ...]) -> list[str]:
    found = []
    if camera.degrees_of_freedom > 0 and camera.misfit > 1.5:
        worst = max(camera.residuals_px, key=lambda name: camera.residuals_px[name])
        found.append(
            f"the known things agree only to {camera.misfit:.1f} times what hand-set points explain (chance brings the "
            f"limit in {DOUBTFUL:g} of cases); look at '{worst}', off by {camera.residuals_px[worst]:.2f} px"
        )
    tilt = max(math.degrees(math.sqrt(camera.covariance[k, k])) for k in (1, 2))
    if tilt > 2.0:
        found.append(
            f"the tilt of the camera is known to {tilt:.1f} degrees only; known points that surround the trace on four "
            "sides make the lengths many times surer"
        )
    reach = np.vstack([shape.points_px for shape in shapes])
    low, high = reach.min(axis=0), reach.max(axis=0)
    margin = 0.25 * (high - low).max()
    for path in paths:
        points = _points(path)
        if np.any(points < low - margin) or np.any(points > high + margin):
            found.append(f"trace '{path.name}' lies far outside of what is known on the board")
    return found
