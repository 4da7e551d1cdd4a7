"""What `dieplat board` prints."""

from __future__ import annotations

import math

from rich.text import Text

from dieplat.report.numbers import COVERAGE, with_u
from dieplat.values.board import BoardMeasurements
from dieplat_cli.budget_table import budget_table
from dieplat_cli.console import out


def print_board(found: BoardMeasurements) -> None:
    """The traces with their budgets, what was found of the camera, and what it rests on."""
    for trace in found.traces:
        out.print(Text(f"{trace.name}: {with_u(trace.length_um / 1e3, trace.length_um_u / 1e3)} mm, {trace.how}"))
        if trace.verdict:
            out.print(Text(f"  {trace.verdict}"))
        out.print(budget_table(f"{trace.name}: length", trace.budget))
    camera = found.camera
    tilt = math.degrees(math.hypot(*camera.tilt_rad))
    rms = ", ".join(f"{name} {value:.2f} px" for name, value in camera.residuals_px.items())
    out.print(Text(f"Camera tilted by {tilt:.1f} degrees; known things met to {rms} (rms)."))
    out.print(Text(f"± is U = {COVERAGE:g} u (about 95 %)."))
    for line in found.assumptions:
        out.print(Text(f"Assumed: {line}."))
    for line in found.warnings:
        out.print(Text(f"Note: {line}."))
