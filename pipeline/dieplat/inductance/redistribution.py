"""How current redistributes with frequency: resistance and inductance at all frequencies from one decomposition."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.linalg

from dieplat.inductance.partial import Array
from dieplat.inductance.segment_sum import LaneNetwork


@dataclass(frozen=True, slots=True, eq=False)
class Redistribution:
    """The lanes' own modes. rate_nh_um: (K,), weight_um: (K,).

    With lanes in parallel, Z = R + j w L for the vector of lane currents, R = diag(rho r). From
    R^-1/2 L R^-1/2 = V diag(tau) V^T follows Y = 1^T Z^-1 1 = sum of g_k^2 / (1 + j w tau_k), g = V^T R^-1/2 1:
    a sum of first-order terms, each a current pattern that decays with the time tau_k (generalised symmetric
    eigenvalue problem; G. H. Golub, C. F. Van Loan, Matrix Computations, ch. 8, from memory). Both are kept for
    a resistivity of one, so that one decomposition serves every metal and every frequency.
    """

    rate_nh_um: Array
    weight_um: Array

    @classmethod
    def of(cls, network: LaneNetwork) -> Redistribution:
        """Decompose a network of K lanes; K^3 operations, once."""
        root = 1.0 / np.sqrt(network.length_per_area)
        rates, patterns = scipy.linalg.eigh(root[:, None] * network.inductance_nh * root)
        return cls(np.asarray(rates), np.asarray((patterns.T @ root) ** 2))

    def impedance_ohm(self, frequency_hz: Array, resistivity_ohm_m: float) -> npt.NDArray[np.complex128]:
        """Impedance at every frequency, (F,), complex.

        Parameters
        ----------
        frequency_hz : ndarray (F,)
        resistivity_ohm_m : float
        """
        rho = resistivity_ohm_m * 1e6  # ohm um: lengths are in um
        omega = 2e-9 * math.pi * np.asarray(frequency_hz, dtype=np.float64)
        admittance = np.sum(self.weight_um / (rho + 1j * omega[:, None] * self.rate_nh_um), axis=1)
        return np.asarray(1.0 / admittance)
