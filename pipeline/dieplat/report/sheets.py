"""One sheet a part: what an inductor, a memory array or a trace is, in words and rounded numbers."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from dieplat.report.array_rows import array_facts, capacity_words, other_counts, technology_rows
from dieplat.report.coil_chart import Chart, coil_charts
from dieplat.report.coil_rows import assumed_rows, circuit_rows
from dieplat.report.numbers import length, plain, rounded, with_micro, with_u

Json = Mapping[str, Any]

ESTIMATES = (
    (
        "segment_sum",
        "Sum over segments",
        "every straight piece of the conductor against every other; the value used",
    ),
    ("current_sheet", "Current sheet", "closed formula, the turns smeared into sheets of current"),
    ("modified_wheeler", "Modified Wheeler", "closed formula fitted to measured coils"),
    ("monomial", "Monomial fit", "product of powers fitted to many simulated coils"),
)
METHODS = {
    "image": "turns and edges found in the picture inside the drawn outline",
    "path": "the centre line that was drawn, with its stated width",
    "given": "dimensions given by hand",
}


@dataclass(frozen=True, slots=True)
class Sheet:
    """An inductor, an array or a trace: its facts as (what, value) pairs, in the order of reading.

    `circuit` has (what, value, range), `assumed` (what, value, range, where from) of an inductor's electrical figures.
    """

    name: str
    kind: str
    headline: str
    facts: tuple[tuple[str, str], ...]
    estimates: tuple[tuple[str, str, str], ...] = ()
    budget: tuple[tuple[str, str, str], ...] = ()
    remarks: tuple[str, ...] = ()
    why_best: str = ""
    circuit: tuple[tuple[str, str, str], ...] = ()
    assumed: tuple[tuple[str, str, str, str], ...] = ()
    notes: tuple[str, ...] = ()
    charts: tuple[Chart, ...] = ()
    technology: tuple[tuple[str, str, str], ...] = ()
    technology_notes: tuple[str, ...] = ()


def inductor_sheet(block: Json) -> Sheet:
    """An inductor: its value, what that means for a circuit, its dimensions, and every estimate."""
    coil = block["inductor"]
    inductance = with_u(coil["inductance_nh"], coil.get("inductance_nh_u"))
    facts = [
        ("Shape", f"{coil['shape']}{', symmetric winding' if coil.get('symmetric') else ''}"),
        ("Turns", with_u(coil["turns"], coil.get("turns_u"))),
    ]
    for key, what in (
        ("outer_um", "Outer diameter"),
        ("inner_um", "Inner diameter"),
        ("width_um", "Conductor width"),
        ("spacing_um", "Gap between turns"),
    ):
        facts.append((what, f"{with_u(coil[key], coil.get(f'{key}_u'))} µm"))
    facts.append(("Geometry from", METHODS.get(coil["method"], coil["method"])))
    if coil.get("thickness_um"):
        facts.append(("Metal thickness, assumed", f"{plain(coil['thickness_um'], figures=3)} µm"))
    if coil.get("ground_depth_um"):
        facts.append(("Conducting plane below, assumed", f"{plain(coil['ground_depth_um'], figures=3)} µm"))
    estimates = coil.get("estimates") or {}
    electrical = coil.get("electrical") or {}
    return Sheet(
        name=str(block["name"]),
        kind=block["kind"],
        headline=f"{inductance} nH",
        facts=tuple(facts),
        estimates=tuple(
            (
                what,
                _estimate(estimates[key], coil["inductance_nh"]),
                note,
            )
            for key, what, note in ESTIMATES
            if key in estimates
        ),
        budget=budget_rows(coil.get("budget") or ()),
        remarks=(
            _meaning(coil),
            *(sentence(with_micro(text)) for key in ("explanations", "remarks") for text in coil.get(key) or ()),
        ),
        why_best=str(coil.get("why_best") or ""),
        circuit=circuit_rows(electrical),
        assumed=assumed_rows(electrical),
        notes=tuple(map(with_micro, electrical.get("notes") or ())),
        charts=coil_charts(str(block["name"]), coil),
    )


def _estimate(value_nh: float | None, best_nh: float) -> str:
    """One method's inductance, and how far it lies from the value used."""
    if value_nh is None:
        return "not defined here"
    change = 100 * (value_nh / best_nh - 1)
    return f"{plain(value_nh)} nH" + (
        f" ({'+' if change > 0 else ''}{rounded(change, 1)} %)" if abs(change) >= 0.05 else ""
    )


def _meaning(coil: Json) -> str:
    """What the inductance does in a circuit, in one plain sentence."""
    henry = coil["inductance_nh"] * 1e-9
    if coil.get("frequency_hz") and coil.get("capacitance_at_pf"):
        farad = with_u(coil["capacitance_at_pf"], coil.get("capacitance_at_pf_u"))
        return f"Together with a capacitance of {farad} pF it resonates at {frequency(coil['frequency_hz'])}."
    hertz = 1 / (2 * math.pi * math.sqrt(henry * 1e-12))
    return f"Together with a capacitance of 1 pF it would resonate near {frequency(hertz)}."


def sentence(text: str) -> str:
    """Words with a capital at their beginning and a full stop at their end."""
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith('.') else '.'}"


def frequency(hertz: float) -> str:
    """A frequency in GHz from 1 GHz, in MHz below."""
    return f"{plain(hertz / 1e9)} GHz" if hertz >= 1e9 else f"{plain(hertz / 1e6)} MHz"


def array_sheet(block: Json) -> Sheet:
    """A memory array: pitch, cell area, how many cells, and what that may say of its technology."""
    array = block["array"]
    counted = array.get("cells") is not None
    headline = (
        f"{rounded(array['cells'], 0)} cells{other_counts(array)}" if counted else "pitch only, cells not counted"
    )
    return Sheet(
        str(block["name"]),
        block["kind"],
        headline,
        array_facts(array),
        remarks=(
            *capacity_words(array),
            *map(str, array.get("explanations") or ()),
            *map(str, array.get("remarks") or ()),
        ),
        technology=technology_rows(array),
        technology_notes=tuple(map(str, array.get("technology_assumes") or ())),
    )


def trace_sheet(block: Json) -> Sheet:
    """A path: its length, and how it compares with a quarter wave where a frequency was given."""
    trace = block["trace"]
    facts, remarks = [], []
    if trace.get("frequency_hz"):
        facts += [
            ("Compared at", frequency(trace["frequency_hz"])),
            ("A quarter wave there", length(trace["quarter_wave_um"])),
            (
                "Length / quarter wave",
                with_u(trace["ratio_to_quarter_wave"], trace.get("ratio_to_quarter_wave_u")),
            ),
        ]
        for key, what in (("velocity_factor", "Velocity factor"), ("shortening_factor", "Shortening factor")):
            if trace.get(key) is not None:
                facts.append((what, with_u(trace[key], trace.get(f"{key}_u"))))
        remarks += [sentence(trace[key]) for key in ("verdict", "assumption") if trace.get(key)]
    mm = trace["length_um"] >= 1000
    factor, unit = (1e-3, "mm") if mm else (1.0, "µm")
    headline = f"{with_u(trace['length_um'] * factor, (trace.get('length_um_u') or 0) * factor)} {unit}"
    return Sheet(str(block["name"]), block["kind"], headline, tuple(facts), remarks=tuple(remarks))


def budget_rows(lines: Iterable[Json]) -> tuple[tuple[str, str, str], ...]:
    """(name, u with unit, note) for each line of an uncertainty budget, largest first."""
    ranked = sorted(lines, key=lambda line: -abs(line.get("u") or 0.0))
    return tuple(
        (
            str(line["name"]),
            _contribution(line),
            " · ".join(
                part for part in (f"type {line['kind']}" if line.get("kind") else "", line.get("note") or "") if part
            ),
        )
        for line in ranked
    )


def _contribution(line: Json) -> str:
    unit = line.get("unit") or ""
    if unit == "1":  # relative contributions read best in percent
        return f"{plain_small((line.get('u') or 0.0) * 100)} %"
    return f"{plain_small(line.get('u'))} {with_micro(unit)}".strip()


def plain_small(value: float | None) -> str:
    """Two significant figures; powers of ten below 0.0001, so that a small contribution stays readable."""
    if value is not None and 0 < abs(value) < 1e-4:
        mantissa, exponent = f"{value:.1e}".split("e-")
        digits = str(int(exponent)).translate(str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹"))
        return f"{mantissa} · 10⁻{digits}"
    return plain(value, figures=2)
