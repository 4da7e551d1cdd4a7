"""What is seen of a coil, explained in plain words."""

from __future__ import annotations

from dieplat.values.inductor import InductorGeometry

SYMMETRIC = (
    "Symmetric winding: the conductor changes rings at the crossings, so that the coil looks the same from both "
    "ends. It is driven by a signal and its inverse at its two ends, as in a balanced oscillator or amplifier; the "
    "middle of the conductor is then at rest and may carry the supply (a centre tap). More voltage lies between "
    "neighbouring rings than in a spiral, so their capacitance counts for more."
)

GUARD_RING = (
    "A ring of metal round the coil, not part of it: tied to a quiet supply, it catches currents that the coil drives "
    "into the substrate and keeps its field from neighbours. If it is closed all round, the coil induces a current in "
    "it that lowers inductance and quality factor, the more the nearer it lies; a ring that is cut in one place "
    "carries none. Neither is in the figures here."
)


def explanations(geometry: InductorGeometry) -> tuple[str, ...]:
    """A short text for each feature that was found."""
    found = ((geometry.symmetric, SYMMETRIC), (geometry.guard_ring, GUARD_RING))
    return tuple(text for seen, text in found if seen)
