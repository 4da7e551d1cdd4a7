"""Shading and exposure, estimated from the overlaps of the tiles themselves."""

from dieplat.correction.shading import estimate_correction

__all__ = ["estimate_correction"]
