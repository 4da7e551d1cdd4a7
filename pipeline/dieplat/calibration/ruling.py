"""Find the ruling of a stage micrometer in a picture, at any angle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.calibration.lattice import (
    FEWEST_LINES,
    FINEST_PITCH_PX,
    Lattice,
    from_fine_to_coarse,
    hidden_divisions,
    lattices_of,
    uneven_classes,
)
from dieplat.calibration.lines import LinePlaces, place_lines
from dieplat.calibration.pitch_fit import PitchFit, fit_pitch
from dieplat.calibration.strips import (
    Strips,
    cut_strips,
    direction_candidates,
    lean_of,
    to_grey,
    with_unturned,
    without_shading,
)
from dieplat.calibration.template import line_template
from dieplat.errors import RulingError

Floats = npt.NDArray[np.float64]
REMEDY = "take a sharp picture of the ruling that shows at least 10 lines across the whole field"
# Lines that scatter by more than this part of the pitch are no ruling.
MOST_SCATTER = 0.03
# Readings of one line at different heights agree within this part of the pitch (drawn rulings: 0.001 to 0.01;
# chance alignments of blobs and of lines cut askew: 0.03 to 0.19).
MOST_SPREAD = 0.02
# Fewer places with a line than this part of those between the first and the last: numbered too finely.
LEAST_OCCUPIED = 0.55
# The strips were turned to the lines before; lines that still lean more are not the ones they were turned to.
MOST_LEAN = 0.01
LEAST_ENERGY = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Ruling:
    """The lines of a ruling and their pitch, in pixels of the picture.

    `angle_deg` is the direction of the ruling's normal from the x axis towards y (clockwise on the screen),
    in (-90, 90]: near 0 for upright lines, near 90 for level ones. `position_px` are distances along that
    normal from the picture's centre; `residual_px` the distances from the fitted ruling; `used` is false for
    lines that the fit left out. `distortion_k1` is the relative radial distortion at the corner.
    `pitch_px` holds at the picture's centre. `_u`: standard uncertainties.
    """

    angle_deg: float
    angle_deg_u: float
    pitch_px: float
    pitch_px_fit_u: float
    pitch_px_distortion_u: float
    index: npt.NDArray[np.intp]
    position_px: Floats
    residual_px: Floats
    used: npt.NDArray[np.bool_]
    distortion_k1: float
    width_px: int
    height_px: int

    @property
    def lines_used(self) -> int:
        """How many lines the pitch rests on."""
        return int(self.used.sum())

    @property
    def rms_residual_px(self) -> float:
        """Root mean square residual of the lines used."""
        return float(np.sqrt(np.mean(self.residual_px[self.used] ** 2)))


def find_ruling(picture: npt.NDArray[np.generic], *, name: str = "picture") -> Ruling:
    """Find the ruling in a picture of a stage micrometer and measure its pitch.

    Parameters
    ----------
    picture : ndarray of shape (H, W) or (H, W, 3)
        8- or 16-bit or float, grey or RGB; dark lines on bright or bright on dark.
    name : str
        What the picture is called in messages.

    Raises
    ------
    RulingError
        If no ruling of at least 6 lines, 4 px or more apart, stands out.
    """
    grey = to_grey(picture)
    if grey.ndim != 2 or min(grey.shape) < 48:
        raise RulingError(f"{name}: {' x '.join(map(str, grey.shape[::-1]))} px is too small; {REMEDY}")
    if not np.isfinite(grey).all():
        raise RulingError(f"{name}: holds values that are no numbers; save it again as 8- or 16-bit")
    if float(np.ptp(grey)) <= 0.0:
        raise RulingError(f"{name}: is one flat tone, no ruling in it; {REMEDY}")
    flat = without_shading(grey)
    flat = flat / np.float32(max(float(flat.std()), 1e-6))
    tries: list[tuple[float, Strips]] = []
    for angle in direction_candidates(flat):
        lean, energy = lean_of(cut_strips(flat, angle))
        tries.append((energy, with_unturned(cut_strips(flat, angle - float(np.arctan(lean))), flat)))
    best: tuple[float, Strips, LinePlaces, PitchFit] | None = None
    strongest = max(energy for energy, _ in tries)
    for energy, strips in sorted(tries, key=lambda item: -item[0]):
        # Far weaker directions are the strongest one's lines cut askew: refused rather than measured wrong.
        if energy < LEAST_ENERGY * strongest:
            continue
        found = _measure(strips, grey.shape)
        if found is not None and (best is None or energy * found[1].used.sum() > best[0]):
            best = (energy * float(found[1].used.sum()), strips, *found)
    if best is None:
        raise RulingError(
            f"{name}: no {FEWEST_LINES} evenly spaced lines, {FINEST_PITCH_PX:g} px or more apart, found; {REMEDY}"
        )
    return _ruling_of(best[1], best[2], best[3], grey.shape)


def _measure(strips: Strips, shape: tuple[int, ...]) -> tuple[LinePlaces, PitchFit] | None:
    """The finest numbering that its own lines bear out, from all strips together and from sixths of them."""
    rows = np.arange(len(strips.t_px))
    windows = [rows, *(part for part in np.array_split(rows, 6) if len(part))]
    candidates: list[Lattice] = []
    for window in windows:
        candidates += lattices_of(*strips.mean(window))
    for lattice in from_fine_to_coarse(candidates):
        found = _measure_lattice(strips, lattice, shape)
        if found is not None:
            return found
    return None


def _measure_lattice(strips: Strips, lattice: Lattice, shape: tuple[int, ...]) -> tuple[LinePlaces, PitchFit] | None:
    """Places of the lines and the fit through them; None if they do not bear the numbering out."""
    profile, _ = strips.mean(slice(None))
    template = line_template(profile, lattice.places()[1], lattice.pitch_px)
    divisions = hidden_divisions(profile, lattice, template)
    for finer in sorted({divisions, 1}, reverse=True):
        places = place_lines(strips, lattice, finer)
        if places is None or len(places.index) < FEWEST_LINES or abs(places.lean) > MOST_LEAN:
            continue
        fit = fit_pitch(
            places.index,
            places.s_px,
            groups=places.groups,
            t_square_px2=places.t_square_px2,
            spread_px=places.spread_px,
            norm_px=float(np.hypot(shape[0], shape[1])) / 2.0,
            grid=places.grid,
        )
        if _believable(places, fit):
            return places, fit
    return None


def _believable(places: LinePlaces, fit: PitchFit) -> bool:
    """Whether the lines are enough, evenly spaced, and without a system in the places left empty."""
    index = places.index[fit.used]
    scatter = float(np.sqrt(np.mean(fit.residual_px[fit.used] ** 2)))
    if len(index) < FEWEST_LINES or scatter > MOST_SCATTER * abs(fit.pitch_px):
        return False
    if places.spread_px > MOST_SPREAD * abs(fit.pitch_px):
        return False
    full = bool(len(index) >= LEAST_OCCUPIED * (np.ptp(index) + 1))
    return full and not uneven_classes(index)


def _ruling_of(strips: Strips, places: LinePlaces, fit: PitchFit, shape: tuple[int, ...]) -> Ruling:
    """Put the fit back into the picture's frame: the lean left over turns the normal, shortens the pitch."""
    turn = float(np.arctan(places.lean))
    # A line s = c + lean * t has its normal along (1, -lean), and lies c cos(turn) from the centre.
    angle = np.degrees(strips.angle_rad - turn)
    angle = 90.0 - (90.0 - angle) % 180.0
    shorter = float(np.cos(turn))
    direction = 1.0 if fit.pitch_px > 0 else -1.0
    return Ruling(
        angle_deg=float(angle),
        angle_deg_u=float(np.degrees(places.lean_u)),
        pitch_px=abs(fit.pitch_px) * shorter,
        pitch_px_fit_u=fit.fit_u_px * shorter,
        pitch_px_distortion_u=fit.distortion_u_px * shorter,
        index=(places.index * int(direction)).astype(np.intp),
        position_px=places.s_px * shorter,
        residual_px=fit.residual_px * shorter,
        used=fit.used,
        distortion_k1=fit.k1,
        width_px=int(shape[1]),
        height_px=int(shape[0]),
    )
