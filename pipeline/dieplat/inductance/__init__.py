"""Inductance of planar inductors: closed forms, partial inductances, resistance and quality factor."""

from dieplat.inductance.estimate import estimate_inductance, given_geometry, inductor_object
from dieplat.inductance.path import spiral_path
from dieplat.inductance.segment_sum import LaneNetwork, lane_network

__all__ = [
    "LaneNetwork",
    "estimate_inductance",
    "given_geometry",
    "inductor_object",
    "lane_network",
    "spiral_path",
]
