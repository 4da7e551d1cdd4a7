"""The camera that fits what is known on the board, with the uncertainty that the known things leave.

Least squares over the places of all known points, with what is usual of cameras as observations of their own: so two
points are enough for a scale, whose uncertainty then says that nothing showed the tilt, and four or more take over from
the usual as they show more (least squares with prior observations:
A. Tarantola, Inverse Problem Theory, 2005, section 3.2, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import chi2

from dieplat.board.camera import Frame, frame_of, to_board, to_picture
from dieplat.errors import AnnotationError
from dieplat.values.board import BoardCamera, Floats, KnownShape

POINT_U_PX = 0.5
"""Each coordinate of a point that is set by hand (common practice, no source)."""
TILT_U_DEG = 5.0
"""A camera held square over a board by eye (common practice, no source)."""
FOCAL, FOCAL_U_LOG = 2.3, 0.5
"""Focal lengths in half diagonals: 50 mm over the 21.6 mm of a 24 x 36 mm picture, and within a factor of 1.6 of it
(common practice, no source)."""
STATED_FOCAL_U_LOG = 0.03
"""A focal length that the picture states holds for far away; near by the lens is moved out a little."""
HALF_DIAGONAL_MM = 21.63
"""Of a 24 x 36 mm picture, to which the focal lengths that pictures state refer."""
K1_U = 0.02
"""Radial distortion at the corners of a usual lens (common practice, no source)."""
DOUBTFUL = 1e-3
"""A misfit that chance brings so seldom is said."""
MOST_MISFIT = 6.0
"""Beyond it a number or a point is wrong rather than badly set."""
_CAMERA = 5
_POSE = 3
_OWN = 2
"""Unknowns of a shape beside its place: its lengths' common error and its height's, in standard deviations."""


@dataclass(frozen=True, slots=True)
class Usual:
    """What is taken of the camera before anything known is looked at; standard uncertainties."""

    tilt_u_deg: float = TILT_U_DEG
    focal_mm: float | None = None
    k1_u: float = K1_U
    point_u_px: float = POINT_U_PX

    @property
    def focal(self) -> tuple[float, float]:
        """Logarithm of the focal length in half diagonals, and its uncertainty."""
        if self.focal_mm is None:
            return math.log(FOCAL), FOCAL_U_LOG
        return math.log(self.focal_mm / HALF_DIAGONAL_MM), STATED_FOCAL_U_LOG


def fit_camera(shapes: Sequence[KnownShape], *, size_px: tuple[int, int], usual: Usual | None = None) -> BoardCamera:
    """The camera of a photograph from what is known on the board.

    Parameters
    ----------
    shapes : sequence of KnownShape
        At least one.
    size_px : tuple of int
        Width and height of the picture.
    usual : Usual, optional
        What is usual of cameras.

    Returns
    -------
    BoardCamera
        `parts` divides the covariance among the known points, the known lengths' own uncertainty, the heights, and
        what was taken as usual. When the known things contradict one another by more than chance, all of it is
        enlarged by the misfit (Birge 1932, Phys. Rev. 40, 207).

    Raises
    ------
    AnnotationError
        If the known things contradict one another beyond any hand's error, or are too short.
    """
    usual = usual or Usual()
    problem = _Problem(shapes, frame_of(size_px), usual)
    found = least_squares(problem.residuals, problem.start(), x_scale="jac", method="trf", max_nfev=300)
    if not found.success or not np.all(np.isfinite(found.x)):
        raise AnnotationError("the known lengths: no camera shows them so; check their points and numbers")
    return problem.camera(found.x, np.asarray(found.jac), found.fun)


class _Problem:
    """Whitened residuals: every row of unit variance, first the points of every shape, then what is usual."""

    def __init__(self, shapes: Sequence[KnownShape], frame: Frame, usual: Usual) -> None:
        self.shapes, self.frame, self.usual = shapes, frame, usual
        self.scale = self._first_scale()
        focal, focal_u = usual.focal
        tilt_u = math.radians(usual.tilt_u_deg)
        self.prior = (np.array([0.0, 0.0, focal, 0.0]), np.array([tilt_u, tilt_u, focal_u, usual.k1_u]))

    def _first_scale(self) -> float:
        """Micrometres a half diagonal, from the widest shape as if seen straight on."""
        spans = [(_span(shape.points_px), _span(shape.points_um)) for shape in self.shapes]
        wide_px, wide_um = max(spans)
        if wide_px < 10.0:
            raise AnnotationError(f"the known lengths: the widest is {wide_px:.1f} px long; use something longer")
        return self.frame.half_px * wide_um / wide_px

    def start(self) -> Floats:
        camera = np.array([math.log(self.scale), 0.0, 0.0, self.prior[0][2], 0.0])
        # Places in units of the scale, so that all unknowns are of one size.
        size = np.array([self.scale, self.scale, 1.0])
        poses = [_pose(shape.points_um, to_board(camera, shape.points_px, self.frame)) / size for shape in self.shapes]
        return np.concatenate([camera, *(np.concatenate([pose, np.zeros(_OWN)]) for pose in poses)])

    def _each(self, unknowns: Floats) -> Iterator[tuple[KnownShape, Floats, Floats]]:
        for number, shape in enumerate(self.shapes):
            first = _CAMERA + number * (_POSE + _OWN)
            yield shape, unknowns[first : first + _POSE], unknowns[first + _POSE : first + _POSE + _OWN]

    def placed(self, unknowns: Floats, shape: KnownShape, pose: Floats, own: Floats) -> Floats:
        """Where the shape's points lie in the picture."""
        cosine, sine = math.cos(pose[2]), math.sin(pose[2])
        turn = np.array([[cosine, sine], [-sine, cosine]])
        board = (1 + own[0] * shape.length_u_rel) * shape.points_um @ turn + self.scale * pose[:2]
        above = shape.above_um + own[1] * shape.above_u_um
        return to_picture(unknowns[:_CAMERA], board, self.frame, above)

    def point_u_px(self, shape: KnownShape) -> float:
        return math.hypot(self.usual.point_u_px, shape.point_u_um * self.frame.half_px / self.scale)

    def residuals(self, unknowns: Floats) -> Floats:
        rows = [
            (self.placed(unknowns, shape, pose, own) - shape.points_px).ravel() / self.point_u_px(shape)
            for shape, pose, own in self._each(unknowns)
        ]
        owns = [own for _, _, own in self._each(unknowns)]
        usual = (unknowns[1:_CAMERA] - self.prior[0]) / self.prior[1]
        return np.concatenate([*rows, *owns, usual])

    def camera(self, unknowns: Floats, jacobian: Floats, residuals: Floats) -> BoardCamera:
        gain = np.linalg.solve(jacobian.T @ jacobian, jacobian.T)[:_CAMERA]
        square, freedom = float(residuals @ residuals), len(residuals) - len(unknowns)
        misfit = math.sqrt(square / freedom) if freedom > 0 else 1.0
        if freedom > 0 and misfit > MOST_MISFIT:
            raise AnnotationError(
                f"the known lengths: contradict one another, {misfit:.0f} times what a hand's error explains; "
                "check the points and the numbers, or say how well points are set with --vertex-u-px"
            )
        doubtful = freedom > 0 and chi2.sf(square, freedom) < DOUBTFUL
        widened = misfit**2 if doubtful else 1.0
        parts = tuple(
            (name, kind, widened * gain[:, rows] @ gain[:, rows].T)
            for name, kind, rows in self._sources(len(residuals))
        )
        return BoardCamera(
            centre_px=self.frame.centre_px,
            half_px=self.frame.half_px,
            um_per_half=float(np.exp(unknowns[0])),
            tilt_rad=(float(unknowns[1]), float(unknowns[2])),
            focal=float(np.exp(unknowns[3])),
            k1=float(unknowns[4]),
            covariance=sum((part for _, _, part in parts), np.zeros((_CAMERA, _CAMERA))),
            parts=parts,
            residuals_px={
                shape.name: float(
                    np.sqrt(np.mean(np.sum((self.placed(unknowns, shape, p, o) - shape.points_px) ** 2, axis=1)))
                )
                for shape, p, o in self._each(unknowns)
            },
            misfit=misfit,
            degrees_of_freedom=freedom,
        )

    def _sources(self, rows: int) -> Iterator[tuple[str, str, slice | list[int]]]:
        points = sum(2 * len(shape.points_px) for shape in self.shapes)
        own = points + _OWN * len(self.shapes)
        yield "known points", "B", slice(0, points)
        yield "known lengths themselves", "B", list(range(points, own, _OWN))
        yield "height of the known things", "B", list(range(points + 1, own, _OWN))
        yield "tilt, as usual", "B", slice(rows - 4, rows - 2)
        yield "focal length, as usual or stated", "B", slice(rows - 2, rows - 1)
        yield "distortion, as usual", "B", slice(rows - 1, rows)


def _span(points: Floats) -> float:
    return float(np.hypot(*np.ptp(points, axis=0)))


def _pose(own: Floats, board: Floats) -> Floats:
    """Place and angle that bring a shape's own frame over the board, by least squares (Umeyama 1991)."""
    a, b = own - own.mean(axis=0), board - board.mean(axis=0)
    angle = math.atan2(float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])), float(np.sum(a * b)))
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    place = board.mean(axis=0) - own.mean(axis=0) @ turn
    return np.array([*place, angle])
