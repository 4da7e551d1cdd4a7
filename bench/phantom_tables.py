"""Tables of many surveys' errors: a row a seed, totals, and a line for each thing to look at."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from phantom_comparison import COVERAGE, FAR_U, Figure


class Table:
    """The figures of some phantoms, picked by group, quantity and state."""

    def __init__(self, figures: Sequence[Figure]) -> None:
        self.figures = figures

    def pick(self, group: str, *quantities: str) -> list[Figure]:
        return [f for f in self.figures if f.group == group and (not quantities or f.quantity in quantities)]

    def errors(self, group: str, *quantities: str) -> list[float]:
        return [f.error for f in self.pick(group, *quantities) if f.error is not None]

    def count(self, group: str, *quantities: str, state: str) -> int:
        return sum(f.state == state for f in self.pick(group, *quantities))

    def right_of(self, group: str, *quantities: str) -> str:
        """Right answers of all, refusals apart, as in 3/4 r1."""
        names = {(f.seed, f.name) for f in self.pick(group)}
        refused = {(f.seed, f.name) for f in self.pick(group) if f.state == "refused"}
        wrong = {(f.seed, f.name) for f in self.pick(group, *quantities) if f.state in ("wrong", "flagged")}
        right = len(names - refused - wrong)
        return f"{right}/{len(names)}" + (f" r{len(refused)}" if refused else "") if names else "-"

    def in_u(self, group: str, *quantities: str) -> list[float]:
        return [f.in_u for f in self.pick(group, *quantities) if f.in_u is not None]

    def sound_axes(self) -> list[Figure]:
        """Tile positions that were offered as sure: the flagged ones say themselves that they are not."""
        return [f for f in self.pick("tile axis") if f.state in ("ok", "wrong")]

    def row(self) -> list[str]:
        off = self.errors("tile")
        axes = [f.in_u for f in self.sound_axes() if f.in_u is not None]
        return [
            str(len(self.pick("tile"))),
            _number(_rms(off)),
            _number(max(off, default=None)),
            _share(axes),
            str(self.count("tile", "position", state="wrong")),
            "+".join(str(self.count("tile", "position", state=state)) for state in ("flagged", "note")),
            _number(_largest(self.errors("frame"))),
            _number(_largest(self.errors("scale"))),
            _number(_largest(self.in_u("scale"))),
            _number(_largest(self.errors("area"))),
            _number(_rms(self.in_u("area"))),
            _share(self.in_u("area")),
            _number(_largest(self.errors("die", "width_um", "height_um"))),
            _number(_largest(self.in_u("die", "width_um", "height_um"))),
            self.right_of("inductor", "turns"),
            self.right_of("inductor", "shape"),
            _number(_largest(self.errors("inductor", "width_px"))),
            _number(_largest(self.errors("inductor", "spacing_px"))),
            _number(_largest(self.errors("inductor", "L, best against sheet"))),
            _number(_largest(self.errors("inductor", "L, best against sum"))),
            _number(_largest(self.in_u("inductor", "L, best against sum"))),
            self.right_of("inductor alone", "turns", "shape"),
            self.right_of("array", "pitch_x_um", "pitch_y_um", "columns", "rows", "cells", "banks"),
            _number(_largest(self.errors("array", "pitch_x_um", "pitch_y_um"))),
        ]


HEADINGS = (
    "seed", "tiles", "rms px", "max px", "<1.96u", "wrong", "flag", "frame", "scl %", "scl u", "area %",
    "area u", "<1.96u", "die %", "die u", "turns", "shape", "w px", "s px", "L/sh %", "L/sum %", "L u",
    "alone", "arrays", "pitch %",
)  # fmt: skip

LEGEND = (
    "largest absolute errors unless rms; wrong: tiles off by more than 0.5 px and not flagged; flag: flagged "
    "and off + flagged though right; frame: common shift, px; turns, shape, arrays: right/all, rN refused; "
    "alone: inductors with a drawn path measured without it; "
    "L/sh, L/sum: best estimate against current sheet and segment sum on the true geometry"
)


def print_preset(preset: str, figures: Sequence[Figure]) -> None:
    """One table with its totals, and the things to look at."""
    seeds = sorted({f.seed for f in figures})
    rows = [[str(seed), *Table([f for f in figures if f.seed == seed]).row()] for seed in seeds]
    whole = Table(figures)
    rows.append(["all", *whole.row()])
    print(f"\n{preset}: {len(seeds)} phantoms")
    _print_rows([list(HEADINGS), *rows])
    print(LEGEND)
    for title, group, quantities in (
        ("tile positions", "tile axis", ()),
        ("scale", "scale", ()),
        ("block areas", "area", ()),
        ("die sides and area", "die", ()),
        ("traces", "trace", ()),
        (
            "inductor diameters, width, spacing",
            "inductor",
            ("outer_px", "inner_px", "width_px", "spacing_px"),
        ),
        ("inductance against the segment sum", "inductor", ("L, best against sum",)),
        ("array pitch", "array", ("pitch_x_um", "pitch_y_um")),
    ):
        values = whole.in_u(group, *quantities)
        if group == "tile axis":
            values = [f.in_u for f in whole.sound_axes() if f.in_u is not None]
        if values:
            print(
                f"  {title}: {len(values)} values, rms {_number(_rms(values))} u, "
                f"largest {_number(_largest(values))} u, within 1.96 u {_share(values)}"
            )
    for quantity in ("L, best against sheet", "L, sheet against sheet", "L, best against sum"):
        values = whole.errors("inductor", quantity)
        if values:
            print(f"  {quantity}: mean {np.mean(values):+.2f} %, largest {_number(_largest(values))} %")
    for figure in figures:
        far = figure.in_u is not None and abs(figure.in_u) > FAR_U
        if figure.group != "tile axis" and (far or figure.state not in ("ok", "note")):
            print("  " + _describe(figure))


def _describe(figure: Figure) -> str:
    state = "far" if figure.state in ("ok", "note") else figure.state
    parts = [f"{state.upper()} seed {figure.seed} {figure.group} {figure.name}: {figure.quantity}"]
    if figure.measured is not None or figure.true is not None:
        parts.append(f"true {_plain(figure.true)}, measured {_plain(figure.measured)}")
    if figure.error is not None:
        parts.append(f"error {figure.error:+.3g}")
    if figure.in_u is not None:
        parts.append(f"{figure.in_u:+.2f} u")
    if figure.remark:
        parts.append(figure.remark)
    return "; ".join(parts)


def _plain(value: float | str | None) -> str:
    return f"{value:.6g}" if isinstance(value, float | int) else str(value)


def _print_rows(rows: list[list[str]]) -> None:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        print(" ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)))


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.3g}" if abs(value) < 100.0 else f"{value:.0f}"


def _rms(values: Sequence[float]) -> float | None:
    return float(np.sqrt(np.mean(np.square(values)))) if values else None


def _largest(values: Sequence[float]) -> float | None:
    return max(map(abs, values), default=None)


def _share(in_u: Sequence[float]) -> str:
    return f"{100.0 * np.mean(np.abs(in_u) <= COVERAGE):.0f}%" if in_u else "-"
