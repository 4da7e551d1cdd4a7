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
from dieplat.inductance.path import lanes_of_path

Sharing = Literal["uniform", "dc", "hf"]

_CHUNK = 200_000
"""Pairs worked on at once; some forty arrays of this length are alive, 60 MB in all."""


@dataclass(frozen=True, slots=True, eq=False)
class LaneNetwork:
    """Lanes in parallel from end to end.

    inductance_nh : ndarray (K, K), symmetric. length_um : ndarray (K,). area_um2 : section of one lane.
    """

    inductance_nh: Array
    length_um: Array
    area_um2: float

    def shared(self, sharing: Sharing = "uniform") -> float:
        """Inductance in nH, current shared equally, by resistance ("dc") or by inductance alone ("hf")."""
        if sharing == "hf":
            return 1.0 / float(np.sum(np.linalg.solve(self.inductance_nh, np.ones(len(self.length_um)))))
        share = np.ones_like(self.length_um) if sharing == "uniform" else 1.0 / self.length_um
        share /= share.sum()
        return float(share @ self.inductance_nh @ share)

    def impedance_ohm(self, frequency_hz: float, resistivity_ohm_m: float) -> complex:
        """Impedance at `frequency_hz`: the currents follow from the lanes' resistances and inductances.

        This contains skin and proximity effect as far as the lanes resolve the skin depth.
        """
        # rho l / a with l in um and a in um^2: ohm m * 1 / um = 1e6 ohm
        resistance = resistivity_ohm_m * 1e6 * self.length_um / self.area_um2
        omega = 2 * math.pi * frequency_hz
        impedance = np.diag(resistance).astype(np.complex128) + 1j * omega * 1e-9 * self.inductance_nh
        return complex(1.0 / np.sum(np.linalg.solve(impedance, np.ones(len(resistance)))))


def lane_network(
    path_um: Array,
    width_um: float,
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
    width_um, thickness_um : float
        Section of the conductor.
    across, deep : int
        Lanes over width and thickness. With 5 across, uniform current is within 1e-4 of the limit (polygons).
    ground_depth_um : float, optional
        Depth below height 0 of a perfectly conducting ground plane, replaced by the mirror image of the
        conductor with the opposite current. None: free space.

    Returns
    -------
    LaneNetwork
    """
    filaments, _ = lanes_of_path(path_um, width_um, thickness_um, across=across, deep=deep)
    lanes = across * deep
    pieces = len(path_um) - 1
    lane = np.repeat(np.arange(lanes), pieces)
    lengths = np.linalg.norm(filaments.end_um - filaments.start_um, axis=1)

    total = np.zeros(lanes * lanes)
    i, j = np.triu_indices(lanes * pieces, 1)
    for start in range(0, len(i), _CHUNK):
        a, b = i[start : start + _CHUNK], j[start : start + _CHUNK]
        values = mutual_pairs(filaments, a, filaments, b)
        total += np.bincount(lane[a] * lanes + lane[b], values, minlength=lanes * lanes)
    matrix = total.reshape(lanes, lanes)
    matrix = matrix + matrix.T
    own = bar_self_inductance(lengths, filaments.width_um, filaments.thickness_um)
    matrix[np.diag_indices(lanes)] += np.bincount(lane, own, minlength=lanes)
    if ground_depth_um is not None:
        matrix -= _image(filaments, lane, lanes, ground_depth_um)
    area = width_um * thickness_um / lanes
    return LaneNetwork(matrix, lengths.reshape(lanes, pieces).sum(axis=1), area)


def _image(filaments: Filaments, lane: npt.NDArray[np.intp], lanes: int, depth_um: float) -> Array:
    """Mutual inductance of the lanes with the lanes mirrored in the plane z = -depth."""
    mirror = filaments.mirrored(-depth_um)
    count = len(lane)
    total = np.zeros(lanes * lanes)
    rows = max(1, _CHUNK // count)
    for start in range(0, count, rows):
        i, j = np.indices((min(rows, count - start), count))
        a, b = i.ravel() + start, j.ravel()
        values = mutual_pairs(filaments, a, mirror, b)
        total += np.bincount(lane[a] * lanes + lane[b], values, minlength=lanes * lanes)
    matrix = total.reshape(lanes, lanes)
    return (matrix + matrix.T) / 2
