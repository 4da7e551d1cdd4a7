"""One survey of a phantom set against the phantom's truth, quantity by quantity."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from dieplat.inductance import lane_network
from dieplat.inductance.closed_forms import current_sheet_nh

WRONG_PX = 0.5
"""A tile further out than this is wrong: the seam would show and areas would move. So is an inductor's length
that is further out and not covered by its uncertainty."""

TURNS_WITHIN = 0.02
"""Turns come in quarters; nearer than this is the same number."""

FAR_U = 3.0
"""An error of more standard uncertainties than this is listed by itself."""

COVERAGE = 1.96
"""Standard uncertainties that hold 95 % of a normal distribution."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One compared quantity.

    `state` is ok, wrong, flagged, refused, missing, failed, or note for a tile that is flagged but right.
    """

    preset: str
    seed: int
    group: str
    name: str
    quantity: str
    true: float | str | None = None
    measured: float | str | None = None
    error: float | None = None
    u: float | None = None
    in_u: float | None = None
    state: str = "ok"
    remark: str = ""


class Comparison:
    """Collects the figures of one phantom."""

    def __init__(self, preset: str, seed: int) -> None:
        self.preset = preset
        self.seed = seed
        self.figures: list[Figure] = []

    def add(self, group: str, name: str, quantity: str, **values: Any) -> None:
        self.figures.append(Figure(self.preset, self.seed, group, name, quantity, **values))

    def relative(
        self, group: str, name: str, quantity: str, true: float, measured: float, u: float | None, **more: Any
    ) -> None:
        """An error in percent of the truth, and in standard uncertainties where there is one."""
        in_u = None if not u else (measured - true) / u
        error = 100.0 * (measured / true - 1.0)
        self.add(group, name, quantity, true=true, measured=measured, error=error, u=u, in_u=in_u, **more)

    def exact(self, group: str, name: str, quantity: str, true: Any, measured: Any, *, within: float = 0.0) -> None:
        """A count or a word: right or wrong."""
        same = measured == true if isinstance(true, str) else abs(measured - true) <= within
        self.add(group, name, quantity, true=true, measured=measured, state="ok" if same else "wrong")


def compare(truth: dict[str, Any], layout: dict[str, Any], measured: dict[str, Any]) -> list[Figure]:
    """Every figure of one survey against the truth of its phantom."""
    to = Comparison(truth["preset"], truth["seed"])
    _compare_tiles(to, truth, layout)
    _compare_scale(to, truth, measured["scale"])
    _compare_die(to, truth, measured["die"])
    blocks = {block["name"]: block for block in measured["blocks"]}
    for true in truth["blocks"]:
        if true["kind"] in ("die", "conductor"):  # a conductor's path is part of its inductor's own entry
            continue
        block = blocks.get(true["name"])
        if block is None:
            to.add("area", true["name"], "block", state="missing")
            continue
        reasons = " | ".join(text for text in measured["warnings"] if f"'{true['name']}'" in text)
        if true["area_um2"] is not None:
            to.relative("area", true["name"], "area", true["area_um2"], block["area_um2"], block["area_um2_u"])
        if "trace" in true and block["trace"] is not None:
            length = block["trace"]
            to.relative(
                "trace",
                true["name"],
                "length",
                true["trace"]["length_um"],
                length["length_um"],
                length["length_um_u"],
            )
        if "inductor" in true and true["kind"] == "rf_inductor":
            compare_inductor(to, true, block["inductor"], truth["um_per_px"], reasons)
        if "array" in true:
            _compare_array(to, true, block["array"], reasons)
    return to.figures


def _compare_tiles(to: Comparison, truth: dict[str, Any], layout: dict[str, Any]) -> None:
    placed = {tile["name"]: tile for tile in layout["tiles"]}
    both = [tile for tile in truth["tiles"] if tile["name"] in placed]
    for tile in truth["tiles"]:
        if tile["name"] not in placed:
            to.add("tile", tile["name"], "position", state="missing", remark="not in the layout")
    true = np.array([[tile["x_px"], tile["y_px"]] for tile in both])
    found = np.array([[placed[t["name"]]["x_px"], placed[t["name"]]["y_px"]] for t in both])
    shift = np.median(found - true, axis=0)
    size = float(np.hypot(*shift))
    to.add("frame", "shift", "common shift", error=size, remark=f"({shift[0]:+.3f}, {shift[1]:+.3f}) px")
    for tile, want, got in zip(both, true + shift, found, strict=True):
        entry = placed[tile["name"]]
        off = got - want
        distance = float(np.hypot(*off))
        flagged = entry["ambiguous"] or entry["placed_by"] != "overlap"
        state = ("flagged" if flagged else "wrong") if distance > WRONG_PX else ("note" if flagged else "ok")
        others = [math.dist(want, place) for place in entry["alternatives"]]
        remark = f"placed by {entry['placed_by']}, {'' if entry['ambiguous'] else 'not '}ambiguous"
        if others:
            remark += f", nearest alternative {min(others):.2f} px from the truth"
        for axis, index in (("x", 0), ("y", 1)):
            u = entry[f"{axis}_px_u"]
            to.add(
                "tile axis",
                tile["name"],
                axis,
                true=float(want[index]),
                measured=float(got[index]),
                error=float(off[index]),
                u=u,
                in_u=float(off[index]) / u if u else None,
                state=state,
            )
        to.add("tile", tile["name"], "position", error=distance, state=state, remark=remark)


def _compare_scale(to: Comparison, truth: dict[str, Any], scale: dict[str, Any]) -> None:
    for axis in ("x", "y"):
        key = f"um_per_px_{axis}"
        to.relative("scale", axis, "um per px", truth[key], scale[key], scale[f"{key}_u"])


def _compare_die(to: Comparison, truth: dict[str, Any], die: dict[str, Any] | None) -> None:
    if die is None:
        to.add("die", "Die", "size", state="missing")
        return
    for key in ("width_um", "height_um", "area_um2"):
        to.relative("die", "Die", key, truth["die"][key], die[key], die[f"{key}_u"])


def compare_inductor(
    to: Comparison, true: dict[str, Any], found: dict[str, Any] | None, um_per_px: float, reasons: str
) -> None:
    want, name = true["inductor"], true["name"]
    if found is None:
        to.add("inductor", name, "geometry", state="refused", remark=reasons)
        return
    to.add("inductor", name, "method", measured=found["method"], remark=reasons)
    to.exact("inductor", name, "turns", want["turns"], found["turns"], within=TURNS_WITHIN)
    to.exact("inductor", name, "shape", want["shape"], found["shape"])
    for key in ("outer_um", "inner_um", "width_um", "spacing_um"):
        off, u = found[key] - want[key], found[f"{key}_u"]
        wrong = abs(off) > WRONG_PX * um_per_px and (not u or abs(off) > FAR_U * u)
        to.add(
            "inductor",
            name,
            key.replace("_um", "_px"),
            true=want[key] / um_per_px,
            measured=found[key] / um_per_px,
            error=off / um_per_px,
            u=None if u is None else u / um_per_px,
            in_u=off / u if u else None,
            state="wrong" if wrong else "ok",
        )
    sheet = current_sheet_nh(want["shape"], want["turns"], want["outer_um"], want["inner_um"])
    line = np.asarray(want["path_um"], dtype=np.float64)
    summed = lane_network(line, want["width_um"], found["thickness_um"], across=5).shared()
    value, u = found["inductance_nh"], found["inductance_nh_u"]
    own_sheet = found["estimates"]["current_sheet"]
    to.relative("inductor", name, "L, best against sheet", sheet, value, None)
    to.relative("inductor", name, "L, sheet against sheet", sheet, own_sheet, None)
    to.relative("inductor", name, "L, best against sum", summed, value, u)


def _compare_array(to: Comparison, true: dict[str, Any], found: dict[str, Any] | None, reasons: str) -> None:
    want, name = true["array"], true["name"]
    if found is None:
        to.add("array", name, "lattice", state="refused", remark=reasons)
        return
    for key in ("pitch_x_um", "pitch_y_um"):
        off = abs(found[key] / want[key] - 1.0) > 0.02
        to.relative("array", name, key, want[key], found[key], found[f"{key}_u"], state="wrong" if off else "ok")
    for key in ("columns", "rows", "cells", "banks"):
        if found[key] is None:
            to.add("array", name, key, true=want[key], state="flagged", remark=reasons)
        else:
            to.exact("array", name, key, want[key], found[key])


def read_csv(path: Path) -> list[Figure]:
    """The figures of an earlier run."""
    numbers = ("error", "u", "in_u")
    with path.open(newline="", encoding="utf-8") as handle:
        return [
            Figure(
                **{
                    key: (float(text) if key in numbers else int(text) if key == "seed" else text)
                    if text or key in ("name", "remark")
                    else None
                    for key, text in row.items()
                }  # type: ignore[arg-type]
            )
            for row in csv.DictReader(handle)
        ]


def write_csv(path: Path, figures: Sequence[Figure]) -> None:
    """One row a figure."""
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.DictWriter(handle, [field.name for field in fields(Figure)])
        writer.writeheader()
        writer.writerows(asdict(figure) for figure in figures)
