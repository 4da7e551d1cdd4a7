"""How close the inductance solver comes to exact and to independent values, and how long it takes.

    python bench/solver_figures.py

Exact: bars (Hoer and Love 1965 by adaptive quadrature), rings (elliptic integrals over the section), polygons of
thin wire (Grover 1946, constants recomputed). Independent: another program's filament solution of the same centre
lines, its own uncertainty 5e-4 (polygons) and 1e-3 (circles). None of these numbers is a measurement; the measured
table of Mohan et al. (1999) and the worked example of Greenhouse (1974) were not at hand. Times are processor time.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from dieplat.inductance import describe_inductor, estimate_inductance, given_geometry, lane_network, spiral_path
from dieplat.inductance.fine_network import fine_network, graded_section
from dieplat.inductance.partial import bar_self_inductance
from dieplat.inductance.redistribution import Redistribution

BARS = (
    (1000, 10, 1, 1.140858),
    (200, 4, 2, 0.188225),
    (100, 10, 1, 0.068635),
    (50, 10, 3, 0.026089),
    (20, 2, 2, 0.011409),
    (10, 10, 1, 0.002788),
)
RINGS = ((100, 10, 2, 0.46472), (40, 10, 2, 0.14003), (30, 4, 3, 0.11444))
LOOPS = ((200, 10, 1, 0.58141), (200, 2, 2, 0.74244), (100, 8, 2, 0.24348))
POLYGON_K = ((3, -1.40547), (4, -0.77401), (5, -0.40922), (6, -0.15152), (8, 0.21198))
SPIRALS = (
    ("square", 3, 200, 8, 2, 1, 3.1002),
    ("square", 1.5, 120, 10, 3, 2, 0.4827),
    ("square", 4, 300, 12, 2, 2, 7.0117),
    ("square", 6, 250, 6, 2, 1, 13.0407),
    ("square", 2.5, 80, 4, 1.5, 1, 0.8176),
    ("square", 5, 400, 15, 4, 3, 12.0874),
    ("hexagon", 3, 200, 8, 2, 1, 2.7397),
    ("hexagon", 4.5, 300, 10, 3, 2, 7.7753),
    ("octagon", 2.5, 160, 8, 2, 2, 1.4484),
    ("octagon", 3, 250, 10, 2, 3, 3.2921),
    ("octagon", 5, 350, 10, 3, 2, 11.0984),
    ("circle", 2.5, 200, 10, 2, 2, 1.6327),
)
LIMITS = {"bars": 1e-3, "polygons": 1e-3, "square loops": 1e-3, "rings": 1e-3, "spirals": 3e-3, "circles": 5e-3}


def closed(sides: int, side_um: float) -> npt.NDArray[np.float64]:
    """A regular polygon as a closed line."""
    radius = side_um / (2 * math.sin(math.pi / sides))
    angle = 2 * math.pi * np.arange(sides + 1) / sides
    points = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    points[-1] = points[0]
    return points


def ring(radius_um: float, steps: int = 96) -> npt.NDArray[np.float64]:
    """A ring as a polygon of its length."""
    return closed(steps, 2 * math.pi * radius_um / steps)


def errors() -> dict[str, list[float]]:
    """Relative errors by kind."""
    found: dict[str, list[float]] = {name: [] for name in LIMITS}
    for length, width, thickness, exact in BARS:
        found["bars"].append(float(bar_self_inductance(length, width, thickness)) / exact - 1)
    for sides, k in POLYGON_K:
        # Square section as a round wire with its current on the surface: radius 0.447049 of the side, its GMD.
        exact = 2e-4 * sides * 1000 * (math.log(1000 / (0.447049 * 0.05)) + k)
        found["polygons"].append(lane_network(closed(sides, 1000.0), 0.05, 0.05, across=1).shared() / exact - 1)
    for side, width, thickness, other in LOOPS:
        found["square loops"].append(lane_network(closed(4, side), width, thickness).shared() / other - 1)
    for radius, width, thickness, exact in RINGS:
        found["rings"].append(lane_network(ring(radius), width, thickness).shared() / exact - 1)
    for shape, turns, outer, width, spacing, thickness, other in SPIRALS:
        path = spiral_path(given_geometry(shape, turns, outer, width, spacing))
        kind = "circles" if shape == "circle" else "spirals"
        found[kind].append(lane_network(path, width, thickness).shared() / other - 1)
    return found


def seconds(work: Callable[[], object]) -> float:
    """Least processor time of three runs."""
    times = []
    for _ in range(3):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def main() -> int:
    """Print the figures; 1 if a limit is passed."""
    missed = 0
    for name, values in errors().items():
        worst = max(map(abs, values))
        missed += worst > LIMITS[name]
        print(f"{name:<14}{len(values):3d}  largest error {worst:.1e}  (limit {LIMITS[name]:.0e})")
    octagon = given_geometry("octagon", 5, 350, 10, 3)
    path, frequency = spiral_path(octagon), np.geomspace(1e8, 1e10, 49)

    def over_frequency() -> object:
        network = fine_network(path, 10, 2, graded_section(6, 3))
        return Redistribution.of(network).impedance_ohm(frequency, 1.7e-8)

    for name, work in (
        ("10 lanes", lambda: lane_network(path, 10, 2, across=10)),
        ("18 lanes, 49 frequencies", over_frequency),
        ("estimate with its budget", lambda: estimate_inductance(octagon)),
        ("everything, with ranges", lambda: describe_inductor(octagon)),
    ):
        print(f"octagon of 5 turns, {name}: {seconds(work):.2f} s")
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main())
