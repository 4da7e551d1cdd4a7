"""An inductor's electrical figures and assumptions as rows of words and rounded numbers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dieplat.report.numbers import plain

Json = Mapping[str, Any]


def circuit_rows(electrical: Json) -> tuple[tuple[str, str, str], ...]:
    """(what, value, range) of each electrical figure; none without a curve."""
    if not electrical:
        return ()
    rows = []
    if electrical.get("resistance_ohm"):
        rows.append(_row("Resistance, direct current", electrical["resistance_ohm"], "Ω"))
    at, peak = electrical.get("at"), electrical.get("peak")
    if at:
        where = f"at {plain(at['frequency_hz'] / 1e9)} GHz"
        rows.append(_row(f"Inductance {where}", at["inductance_nh"], "nH"))
        if at.get("quality"):
            rows.append(_row(f"Resistance {where}", at["resistance_ohm"], "Ω"))
            rows.append(_row(f"Quality factor {where}", at["quality"], ""))
    if peak:
        rows.append(
            _row(
                f"Largest quality factor, near {plain(peak['frequency_hz'] / 1e9, figures=2)} GHz", peak["quality"], ""
            )
        )
    rows.append(_row("Self-resonance", electrical["self_resonance_hz"], "GHz", 1e-9))
    rows.append(_row("Capacitance to what lies below, in all", electrical["oxide_ff"], "fF"))
    rows.append(_row("Capacitance between turns, at the ends", electrical["turns_ff"], "fF"))
    if not electrical.get("resistance_ohm"):
        rows.append(("Resistance and quality factor", "not given", "no metal was assumed"))
    return tuple(rows)


def assumed_rows(electrical: Json) -> tuple[tuple[str, str, str, str], ...]:
    """(what, value, range, where from) of each assumption."""
    rows = []
    for line in electrical.get("assumed") or ():
        unit, factor = line["unit"], 1.0
        if unit == "ohm m":  # metals read best in nanoohm metres
            unit, factor = "nΩ m", 1e9
        unit = unit.replace("ohm", "Ω").replace("um", "µm").replace("Ω/square", "Ω/□")
        value, low, high = (plain(factor * line[key], figures=3) for key in ("value", "low", "high"))
        rows.append((line["name"], f"{value} {unit}".strip(), f"{low} to {high}", line["source"]))
    return tuple(rows)


def _row(what: str, interval: Json, unit: str, factor: float = 1.0) -> tuple[str, str, str]:
    value, low, high = (plain(factor * interval[key], figures=3) for key in ("value", "low", "high"))
    return what, f"{value} {unit}".strip(), f"{low} to {high}"
