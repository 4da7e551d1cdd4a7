"""Inductance of planar inductors: closed forms, partial inductances, resistance and quality factor."""

from dieplat.inductance.estimate import estimate_inductance, given_geometry
from dieplat.inductance.path import spiral_path
from dieplat.inductance.result import combine_inductor, describe_inductor
from dieplat.inductance.segment_sum import LaneNetwork, lane_network

__all__ = [
    "LaneNetwork",
    "combine_inductor",
    "describe_inductor",
    "estimate_inductance",
    "given_geometry",
    "lane_network",
    "spiral_path",
]
