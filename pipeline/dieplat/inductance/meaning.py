"""What is seen of a coil, explained in plain words."""

from __future__ import annotations

from dieplat.values.inductor import InductorGeometry

SYMMETRIC = (
    "Symmetric winding: the conductor changes rings at the crossings, so that the coil looks the same from both "
    "ends. It is driven by a signal and its inverse at its two ends, as in a balanced oscillator or amplifier; the "
    "middle of the conductor is then at rest and may carry the supply (a centre tap). More voltage lies between "
    "neighbouring rings than in a spiral, so their capacitance counts for more."
)


def explanations(geometry: InductorGeometry) -> tuple[str, ...]:
    """A short text for each feature that was found."""
    return (SYMMETRIC,) if geometry.symmetric else ()
