"""The page on a photographed board: its traces, what their lengths rest on, and the comparison with a quarter wave."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, replace

import numpy as np
import numpy.typing as npt

from dieplat.report.numbers import plain, with_micro, with_u
from dieplat.report.page import Shown, rendered, shown
from dieplat.report.sheets import Sheet, budget_rows, sentence, trace_sheet
from dieplat.values.board import BoardCamera, BoardMeasurements, BoardTrace

CAUTIONS = (
    "A length is that of the line that was drawn. Where a trace begins and ends electrically is a judgement.",
    "Only what lies in one plane is measured: parts that stand up, vias and other layers are not.",
    "A quarter wave is a rule for the length alone. Ground clearance, matching and the housing move an antenna's "
    "resonance as well; only a measurement with a network analyser tells it.",
)


def render_board(
    found: BoardMeasurements, drawn: npt.NDArray[np.uint8], *, title: str, inputs: Mapping[str, str]
) -> str:
    """The page as text: one file without scripts, which asks nothing of any network.

    Parameters
    ----------
    found : BoardMeasurements
    drawn : ndarray of shape (H, W, 3), uint8
        The board as `board_picture.draw_board` draws it.
    title : str
    inputs : mapping of str to str
        SHA-256 of every input file by its name.
    """
    names = ", ".join(trace.name for trace in found.traces)
    alt = f"The board without tilt and distortion, with a scale bar; measured: {names}"
    return rendered(
        "board.html.j2",
        title=title,
        lead=[_lead(trace) for trace in found.traces],
        warnings=[sentence(text) for text in found.warnings],
        picture=shown(drawn, alt),
        pictures=dict[str, list[Shown]](),
        traces=[_sheet(trace) for trace in found.traces],
        camera=_camera(found.camera),
        known=[(name, f"{plain(value, figures=2)} px") for name, value in found.camera.residuals_px.items()],
        assumptions=[sentence(text) for text in found.assumptions],
        cautions=CAUTIONS,
        inputs=sorted(inputs.items()),
    )


def _lead(trace: BoardTrace) -> str:
    length = f"{with_u(trace.length_um / 1e3, trace.length_um_u / 1e3)} mm"
    return f"{trace.name} is {length} long.{' ' + sentence(trace.verdict) if trace.verdict else ''}"


def _sheet(trace: BoardTrace) -> Sheet:
    sheet = trace_sheet({"name": trace.name, "kind": "trace", "trace": trace.to_dict()})
    how = ("Where it was measured", sentence(trace.how))
    return replace(sheet, facts=(how, *sheet.facts), budget=budget_rows(asdict(line) for line in trace.budget))


def _camera(camera: BoardCamera) -> tuple[tuple[str, str], ...]:
    plainly = camera.to_dict()
    tilt = math.hypot(*plainly["tilt_deg"])
    tilt_u = math.hypot(*plainly["tilt_deg_u"])
    judged = (
        f"{plain(camera.misfit, figures=2)} times what hand-set points explain, {camera.degrees_of_freedom} to spare"
        if camera.degrees_of_freedom
        else "nothing to spare: the known things only just fix the camera"
    )
    scale = with_u(plainly["um_per_px_at_centre"], plainly["um_per_px_at_centre_u"])
    return (
        ("A pixel in the middle", with_micro(f"{scale} um")),
        ("Tilt of the camera", f"{with_u(tilt, tilt_u)}°"),
        ("Distortion at the corners", f"{with_u(100 * camera.k1, 100 * plainly['k1_u'])} %"),
        ("Misfit of the known things", judged),
    )
