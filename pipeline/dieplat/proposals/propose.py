"""Propose blocks of a die from its picture alone."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from shapely.geometry import Polygon

from dieplat.errors import UndecidedError
from dieplat.measurement.outline import find_outline
from dieplat.proposals.coils import find_coils
from dieplat.proposals.confidence import calibrated
from dieplat.proposals.fields import REPEATING, WIDER_REPEATING, Field, find_dense, find_memories
from dieplat.proposals.pads import find_pads
from dieplat.proposals.sheet import lay_flat
from dieplat.proposals.stepped import Stepped, with_steps
from dieplat.proposals.texture import repeats, texture_of, wider_repeats
from dieplat.proposals.values import Box, Mask, Proposal, Sheet
from dieplat.values import Scale
from dieplat.work import Progress

STEPS = 6
SHAPES = {0: "round", 4: "square", 6: "hexagonal", 8: "octagonal"}


def propose_blocks(
    mosaic: Any, scale: Scale | None = None, die: Polygon | None = None, progress: Progress | None = None
) -> tuple[Proposal, ...]:
    """Propose outlines of blocks, with a kind and a confidence each (`proposals.confidence` says what it rests on).

    Looked for are the die, pads, inductors, memory arrays and logic. Power and analog parts are left to the person:
    their texture does not tell them from one another; fields of straight lines are proposed as "other".

    The picture is reduced to a bounded size and laid along the die's sides. There, pads are even squares of one size in
    rows along the rim; inductors are places around which edges run; memory arrays repeat along both axes, densely, on
    the sheet or, if their cells are large, on it at half its size; logic is dense both ways without repeating. Many
    lines side by side are proposed as "other": fingers of a switch and resistors look alike. What is none of these is
    not proposed. No brightness, colour or polarity is presumed.

    Parameters
    ----------
    mosaic : Mosaic
        Open; read by bands at one level of its pyramid.
    scale : Scale, optional
        Only to state sizes in micrometres.
    die : Polygon, optional
        The die's outline (mosaic px), if it is drawn; else it is looked for and proposed too.
    progress : callable, optional
        Called with (steps done, steps in all).

    Returns
    -------
    tuple of Proposal
        The die first, then by kind and place; they overlap only with the die's.
    """
    say = progress or (lambda done, total: None)
    proposals: list[Proposal] = []
    if die is None:
        try:
            die = find_outline(mosaic, far=True).polygon
        except UndecidedError:
            pass
        else:
            proposals.append(
                Proposal(
                    "die",
                    die,
                    round(calibrated("die", 0.9), 2),
                    "four straight outermost edges that meet at right angles",
                )
            )
    say(1, STEPS)
    sheet = lay_flat(mosaic, die)
    pixels, texture = sheet.pixels, texture_of(sheet.pixels)
    say(2, STEPS)
    taken: Mask = np.zeros(pixels.shape[:2], dtype=bool)
    pads = find_pads(pixels, texture)
    _take(taken, pads, 2)
    reason = f"one of {len(pads)} even squares of one size in rows along the rim"
    proposals += [_proposal(sheet, "io_pad", box, _pad_confidence(len(pads)), reason, scale) for box in pads]
    say(3, STEPS)
    coils = find_coils(pixels, texture, taken)
    _take(taken, [coil.box for coil in coils], 0)
    for coil in coils:
        confidence = float(np.clip(0.95 - 4.0 * coil.off, 0.3, 0.95))
        reason = f"{SHAPES[coil.sides]} bands around one middle, {coil.bands:.1f} on average"
        proposals.append(_proposal(sheet, "rf_inductor", coil.box, confidence, reason, scale))
    say(4, STEPS)
    memories: list[Field] = []
    found = (repeats(pixels, texture), wider_repeats(pixels))
    for each, least in zip(found, (REPEATING, WIDER_REPEATING), strict=True):
        more = find_memories(pixels, texture, each, taken, repeating=least)
        _take(taken, [field.box for field in more], 0)
        memories += more
    say(5, STEPS)
    dense = find_dense(pixels, texture, found, taken)
    strength = np.sqrt(texture.xx + texture.yy)
    for block in [*with_steps(memories, pixels, strength), *with_steps(dense, pixels, strength)]:
        proposals.append(_outlined(sheet, block, scale))
    say(6, STEPS)
    return tuple(proposals)


def _take(taken: Mask, boxes: Iterable[Box], margin: int) -> None:
    for box in boxes:
        taken[Box(box.x0 - margin, box.y0 - margin, box.x1 + margin, box.y1 + margin).cut()] = True


def _pad_confidence(count: int) -> float:
    return float(np.clip(0.5 + 0.04 * count, 0.5, 0.9))


def _proposal(sheet: Sheet, kind: str, box: Box, confidence: float, reason: str, scale: Scale | None) -> Proposal:
    return _outlined(sheet, Stepped(Field(kind, box, confidence, reason), box.corners()), scale)


def _outlined(sheet: Sheet, block: Stepped, scale: Scale | None) -> Proposal:
    kind, box, confidence, reason = block.field.kind, block.field.box, block.field.confidence, block.field.reason
    polygon = Polygon(np.round(sheet.to_mosaic(block.outline), 2))
    if scale is not None:
        across, down = box.width * sheet.step * scale.um_per_px_x, box.height * sheet.step * scale.um_per_px_y
        reason += f"; {across:.0f} x {down:.0f} um"
    return Proposal(kind, polygon, round(calibrated(kind, confidence), 2), reason)
