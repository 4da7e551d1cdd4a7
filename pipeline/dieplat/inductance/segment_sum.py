"""Inductance of a conductor of rectangular section along any path, by partial inductances.

H. M. Greenhouse, "Design of planar rectangular microelectronic inductors", IEEE Trans. Parts, Hybrids,
Packaging PHP-10 (1974), sums the self- and mutual inductances of all straight pieces with their signs. Here
the conductor is also divided into lanes over its section, so that the currents of the lanes may differ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from dieplat.inductance.partial import Array, Filaments, bar_self_inductance, mutual_pairs
from dieplat.inductance.path import Section, lanes_of_path

Sharing = Literal["uniform", "dc", "hf"]

_CHUNK = 200_000
"""Pairs worked on at once; some forty arrays of this length are alive, 60 MB in all."""


@dataclass(frozen=True, slots=True, eq=False)
class LaneNetwork:
    """Lanes in parallel from end to end.

    inductance_nh : ndarray (K, K), symmetric.
    length_per_area : ndarray (K,), sum of length over section along each lane, 1/um.
    share : ndarray (K,), each lane's part of the section.
    """

    inductance_nh: Array
    length_per_area: Array
    share: Array

    def shared(self, sharing: Sharing = "uniform") -> float:
        """Inductance in nH, current shared by section, by resistance ("dc") or by inductance alone ("hf")."""
        if sharing == "hf":
            return 1.0 / float(np.sum(np.linalg.solve(self.inductance_nh, np.ones(len(self.share)))))
        share = self.share if sharing == "uniform" else 1.0 / self.length_per_area
        share = share / share.sum()
        return float(share @ self.inductance_nh @ share)

    def impedance_ohm(self, frequency_hz: float, resistivity_ohm_m: float) -> complex:
        """Impedance at `frequency_hz`: the currents follow from the lanes' resistances and inductances.

        This contains skin and proximity effect as far as the lanes resolve the skin depth.
        """
        # rho l / a with l / a in 1 / um: ohm m * 1 / um = 1e6 ohm
        resistance = resistivity_ohm_m * 1e6 * self.length_per_area
        omega = 2 * math.pi * frequency_hz
        impedance = np.diag(resistance).astype(np.complex128) + 1j * omega * 1e-9 * self.inductance_nh
        return complex(1.0 / np.sum(np.linalg.solve(impedance, np.ones(len(resistance)))))


def lane_network(
    path_um: Array,
    width_um: float | Array,
    thickness_um: float,
    *,
    across: int = 5,
    deep: int = 1,
    ground_depth_um: float | None = None,
) -> LaneNetwork:
    """Lane inductances of a conductor along `path_um`.

    Parameters
    ----------
    path_um : ndarray (N, 2) or (N, 3)
        Centre line in micrometres, with height if there are crossings; first and last point equal closes it.
    width_um : float or ndarray (N - 1,)
        Width of the conductor, or of each of its pieces.
    thickness_um : float
        Thickness of the conductor.
    across, deep : int
        Lanes over width and thickness. With 5 across, uniform current is within 1e-4 of the limit (polygons).
    ground_depth_um : float, optional
        Depth below height 0 of a perfectly conducting ground plane, replaced by the mirror image of the
        conductor with the opposite current (method of images: J. C. Maxwell, Treatise (1873), ch. 11, from
        memory). None: free space.

    Returns
    -------
    LaneNetwork
    """
    section = Section.grid(across, deep)
    filaments, _ = lanes_of_path(path_um, width_um, thickness_um, section)
    lanes = len(section.across)
    pieces = len(path_um) - 1
    lane = np.repeat(np.arange(lanes), pieces)
    lengths = np.linalg.norm(filaments.end_um - filaments.start_um, axis=1)

    i, j = np.triu_indices(lanes * pieces, 1)
    matrix = summed_pairs(filaments, i, filaments, j, lane, lanes)
    matrix = matrix + matrix.T
    own = bar_self_inductance(lengths, filaments.width_um, filaments.thickness_um)
    matrix[np.diag_indices(lanes)] += np.bincount(lane, own, minlength=lanes)
    if ground_depth_um is not None:
        matrix -= _image(filaments, lane, lanes, ground_depth_um)
    return LaneNetwork(matrix, length_per_area(filaments, lanes), section.wide * section.thick)


def length_per_area(filaments: Filaments, lanes: int) -> Array:
    """Sum of length over section along each lane, (lanes,), in 1/um."""
    lengths = np.linalg.norm(filaments.end_um - filaments.start_um, axis=1)
    return np.asarray((lengths / (filaments.width_um * filaments.thickness_um)).reshape(lanes, -1).sum(axis=1))


def summed_pairs(
    first: Filaments,
    i: npt.NDArray[np.intp],
    second: Filaments,
    j: npt.NDArray[np.intp],
    lane: npt.NDArray[np.intp],
    lanes: int,
) -> Array:
    """Mutual inductances of the pairs (first[i], second[j]), summed for each pair of lanes, (lanes, lanes)."""
    total = np.zeros(lanes * lanes)
    for start in range(0, len(i), _CHUNK):
        a, b = i[start : start + _CHUNK], j[start : start + _CHUNK]
        values = mutual_pairs(first, a, second, b)
        total += np.bincount(lane[a] * lanes + lane[b], values, minlength=lanes * lanes)
    return total.reshape(lanes, lanes)


def _image(filaments: Filaments, lane: npt.NDArray[np.intp], lanes: int, depth_um: float) -> Array:
    """Mutual inductance of the lanes with the lanes mirrored in the plane z = -depth."""
    mirror = filaments.mirrored(-depth_um)
    count = len(lane)
    total = np.zeros((lanes, lanes))
    rows = max(1, _CHUNK // count)
    for start in range(0, count, rows):
        i, j = np.indices((min(rows, count - start), count))
        total += summed_pairs(filaments, i.ravel() + start, mirror, j.ravel(), lane, lanes)
    return np.asarray((total + total.T) / 2)
