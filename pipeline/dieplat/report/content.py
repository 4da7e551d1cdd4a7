"""What the report says: every number of the JSON files turned into rows of words, before any layout."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from dieplat.report.folder import Outputs
from dieplat.report.numbers import DASH, area_with_u, length, percent, plain, rounded, with_u
from dieplat.report.palette import AREA_KINDS, style_of

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
MANY = 8
"""More blocks of a kind than this are folded into one line of the table."""

METHODS = {
    "image": "turns and edges found in the picture inside the drawn outline",
    "path": "the centre line that was drawn, with its stated width",
    "given": "dimensions given by hand",
}
UNCERTAINTY_PARTS = (
    "the scale: how well the micrometer's lines were located, and the ruling's own stated tolerance. "
    "It acts on every length alike, so shares of the die hardly feel it",
    "the placement of tiles under the outline, from the residuals of the overlaps",
    "the drawn vertices and edges: where the outline was put, and a common offset of all edges",
)
CAUTIONS = (
    "An area is that of the outline that somebody drew. How a block got its name is a judgement, "
    "not a measurement.",
    "A photograph shows the uppermost layers. Metal thickness cannot be seen in it; it is an assumption "
    "of every inductance here.",
    "Inductances hold for the coil alone: no ground plane, no fill metal, no neighbours, low frequency.",
    "Cells are counted from the pitch and the extent that can be seen; spare rows, edge cells and dummies "
    "count like all others.",
)


@dataclass(frozen=True, slots=True)
class Tally:
    """One figure of the overview: a value, its unit, and what it is."""

    value: str
    unit: str
    what: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table of blocks."""

    name: str
    kind: str
    label: str
    value: str
    unit: str
    perimeter: str
    share: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """An inductor, an array or a trace: its facts as (what, value) pairs, in the order of reading."""

    name: str
    kind: str
    headline: str
    facts: tuple[tuple[str, str], ...]
    estimates: tuple[tuple[str, str, str], ...] = ()
    budget: tuple[tuple[str, str, str], ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Registration:
    """How well the tiles lie: figures, and the tiles that a person should look at."""

    tallies: tuple[Tally, ...]
    doubtful: tuple[tuple[str, str, str], ...]
    skipped: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Content:
    """Everything that the page says, in its order; empty parts are left out of the page."""

    title: str
    lead: str
    tallies: tuple[Tally, ...]
    alerts: tuple[str, ...]
    rows: tuple[Row, ...]
    groups: tuple[tuple[str, tuple[Row, ...]], ...]
    summary: tuple[Row, ...]
    shares: tuple[tuple[str, str, float], ...]
    inductors: tuple[Sheet, ...]
    arrays: tuple[Sheet, ...]
    traces: tuple[Sheet, ...]
    registration: Registration | None
    scale_facts: tuple[tuple[str, str], ...]
    scale_budget: tuple[tuple[str, str, str], ...]
    assumptions: tuple[str, ...]
    inputs: tuple[tuple[str, str], ...]
    version: str
    parts: tuple[str, ...] = UNCERTAINTY_PARTS
    cautions: tuple[str, ...] = field(default=CAUTIONS)


def build_content(outputs: Outputs, *, version: str) -> Content:
    """Say in words and rounded numbers what the files of an output folder hold."""
    measured = outputs.measurements
    blocks: Sequence[Json] = measured.get("blocks") or ()
    areas = [block for block in blocks if block.get("area_um2") is not None and block["kind"] != "die"]
    areas.sort(key=lambda block: -block["area_um2"])
    many = _many(areas)
    return Content(
        title=outputs.title,
        lead=_lead(measured, areas),
        tallies=_tallies(outputs, areas),
        alerts=_alerts(outputs),
        rows=tuple(_row(block) for block in areas if block["kind"] not in many),
        groups=tuple((_group_name(kind, rows), rows) for kind, rows in many.items()),
        summary=_summary(measured),
        shares=_shares(measured),
        inductors=tuple(inductor_sheet(block) for block in blocks if block.get("inductor")),
        arrays=tuple(array_sheet(block) for block in blocks if block.get("array")),
        traces=tuple(trace_sheet(block) for block in blocks if block.get("trace")),
        registration=None if outputs.layout is None else registration(outputs.layout, outputs.scale),
        scale_facts=_scale_facts(outputs.scale),
        scale_budget=budget_rows(outputs.scale.get("budget") or ()),
        assumptions=_assumptions(measured, blocks),
        inputs=tuple(sorted((outputs.state.get("inputs") or {}).items())),
        version=version,
    )


def _many(areas: Sequence[Json]) -> dict[str, tuple[Row, ...]]:
    """Kinds with so many blocks, such as pads, that one line for all of them reads better."""
    kinds = dict.fromkeys(block["kind"] for block in areas)
    rows = {kind: tuple(_row(block) for block in areas if block["kind"] == kind) for kind in kinds}
    return {kind: found for kind, found in rows.items() if len(found) > MANY}


def _group_name(kind: str, rows: Sequence[Row]) -> str:
    return f"{style_of(kind).label} × {len(rows)}"


def _lead(measured: Json, areas: Sequence[Json]) -> str:
    die = measured.get("die")
    sentences = []
    if die:
        text, unit = area_with_u(die["area_um2"], die.get("area_um2_u"))
        sides = f"{length(die['width_um'])} by {length(die['height_um'])}"
        sentences.append(f"The die measures {sides}; its area is {text} {unit}.")
    else:
        sentences.append("No die outline was drawn, so areas are given without shares of the die.")
    count = len(areas)
    if count:
        sentences.append(f"{count} {'block was' if count == 1 else 'blocks were'} measured.")
    ranked = sorted(_shares(measured), key=lambda item: -item[2])
    ranked = [item for item in ranked if item[0] != "unassigned"]
    if ranked:
        largest = f"{_in_sentence(ranked[0][1])} ({percent(ranked[0][2])})"
        sentences.append(f"By kind, {largest} takes the largest share of the die.")
    return " ".join(sentences)


def _in_sentence(label: str) -> str:
    """A label inside a sentence: lower case unless it begins with an abbreviation."""
    return label if label[:2].isupper() or label[1:2] == "/" else label[0].lower() + label[1:]


def _tallies(outputs: Outputs, areas: Sequence[Json]) -> tuple[Tally, ...]:
    measured, scale = outputs.measurements, outputs.scale
    die = measured.get("die")
    tallies = []
    if die:
        text, unit = area_with_u(die["area_um2"], die.get("area_um2_u"))
        tallies.append(Tally(text, unit, "die area"))
        mm = max(die["width_um"], die["height_um"]) >= 1000
        factor, unit = (1e-3, "mm") if mm else (1.0, "µm")
        sides = [_side(die, side, factor) for side in ("width_um", "height_um")]
        tallies.append(Tally(" × ".join(sides), unit, "die, width × height"))
    cells = [block["array"]["cells"] for block in measured.get("blocks") or () if block.get("array")]
    if cells and all(count is not None for count in cells):
        tallies.append(Tally(rounded(sum(cells), 0), "", f"memory cells in {_count(len(cells), 'array')}"))
    coils = [block["inductor"] for block in measured.get("blocks") or () if block.get("inductor")]
    if len(coils) == 1:
        tallies.append(
            Tally(with_u(coils[0]["inductance_nh"], coils[0].get("inductance_nh_u")), "nH", "inductor")
        )
    elif coils:
        tallies.append(Tally(str(len(coils)), "", "inductors"))
    tallies.append(Tally(str(len(areas)), "", "block measured" if len(areas) == 1 else "blocks measured"))
    u_rel = (scale.get("um_per_px_x_u") or 0.0) / scale["um_per_px_x"]
    if u_rel > 0:
        tallies.append(Tally(f"± {plain(2 * u_rel * 100, figures=2)}", "%", "scale"))
    if outputs.layout:
        tallies.append(
            Tally(plain(outputs.layout.get("rms_residual_px"), figures=2), "px", "rms misfit of overlaps")
        )
    return tuple(tallies)


def _side(die: Json, key: str, factor: float) -> str:
    u = die.get(f"{key}_u")
    return with_u(die[key] * factor, None if u is None else u * factor)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _alerts(outputs: Outputs) -> tuple[str, ...]:
    alerts = []
    if outputs.layout:
        tiles = outputs.layout["tiles"]
        doubtful = sum(bool(tile["ambiguous"]) for tile in tiles)
        staged = sum(tile["placed_by"] == "stage" for tile in tiles)
        if doubtful:
            alerts.append(
                f"{_count(doubtful, 'tile')} could lie in more than one place. Measurements across such "
                "a tile are not safe; see how well the tiles fit, below."
            )
        if staged:
            alerts.append(f"{_count(staged, 'tile')} could only be placed by the stage's regular steps.")
        skipped = len(outputs.layout.get("skipped") or ())
        if skipped:
            was = "was" if skipped == 1 else "were"
            alerts.append(f"{_count(skipped, 'file')} in the folder of tiles {was} left out.")
    alerts += [str(text) for text in outputs.measurements.get("warnings") or ()]
    if not outputs.scale.get("pitch_um_u"):
        alerts.append(
            "The micrometer's own tolerance was not given, so its pitch counts as exact. A ruling without a "
            "certificate can be wrong by a few tenths of a percent, which no figure here would show."
        )
    return tuple(alerts)


def _row(block: Json) -> Row:
    value, unit = area_with_u(block["area_um2"], block.get("area_um2_u"))
    return Row(
        name=str(block["name"]),
        kind=block["kind"],
        label=style_of(block["kind"]).label,
        value=value,
        unit=unit,
        perimeter=length(block.get("perimeter_um")),
        share=share_with_u(block.get("share_of_die"), block.get("share_of_die_u")),
    )


def share_with_u(share: float | None, u: float | None) -> str:
    """A share of the die in percent, with its expanded uncertainty where known."""
    if share is None:
        return DASH
    return f"{with_u(share * 100, u * 100)} %" if u else percent(share, decimals=2)


def _summary(measured: Json) -> tuple[Row, ...]:
    rows = []
    lines = {line["kind"]: line for line in measured.get("summary") or () if line["kind"] != "die"}
    for kind in (*(kind for kind in AREA_KINDS if kind in lines), *(k for k in lines if k not in AREA_KINDS)):
        line = lines[kind]
        if not line.get("area_um2"):
            continue
        value, unit = area_with_u(line["area_um2"], line.get("area_um2_u"))
        share = share_with_u(line.get("share_of_die"), line.get("share_of_die_u"))
        rows.append(Row(str(line["count"]), kind, style_of(kind).label, value, unit, "", share))
    left, die = measured.get("unassigned_um2"), measured.get("die")
    if left is not None and die and die.get("area_um2"):
        value, unit = area_with_u(left, measured.get("unassigned_um2_u"))
        rows.append(
            Row(
                DASH,
                "unassigned",
                "Not assigned",
                value,
                unit,
                "",
                percent(left / die["area_um2"], decimals=2),
            )
        )
    return tuple(rows)


def _shares(measured: Json) -> tuple[tuple[str, str, float], ...]:
    lines = {line["kind"]: line.get("share_of_die") for line in measured.get("summary") or ()}
    shares = [(kind, style_of(kind).label, float(lines[kind])) for kind in AREA_KINDS if lines.get(kind)]
    left, die = measured.get("unassigned_um2"), measured.get("die")
    if shares and left and left > 0 and die:
        shares.append(("unassigned", "Not assigned", left / die["area_um2"]))
    return tuple(shares)


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
    estimates = coil.get("estimates") or {}
    return Sheet(
        name=str(block["name"]),
        kind=block["kind"],
        headline=f"{inductance} nH",
        facts=tuple(facts),
        estimates=tuple(
            (
                what,
                f"{plain(estimates[key])} nH" if estimates.get(key) is not None else "not defined here",
                note,
            )
            for key, what, note in ESTIMATES
            if key in estimates
        ),
        budget=budget_rows(coil.get("budget") or ()),
        remarks=(_meaning(coil), *map(str, coil.get("remarks") or ())),
    )


def _meaning(coil: Json) -> str:
    """What the inductance does in a circuit, in one plain sentence."""
    henry = coil["inductance_nh"] * 1e-9
    if coil.get("frequency_hz") and coil.get("capacitance_at_pf"):
        farad = with_u(coil["capacitance_at_pf"], coil.get("capacitance_at_pf_u"))
        return f"Together with a capacitance of {farad} pF it resonates at {frequency(coil['frequency_hz'])}."
    hertz = 1 / (2 * math.pi * math.sqrt(henry * 1e-12))
    return f"Together with a capacitance of 1 pF it would resonate near {frequency(hertz)}."


def frequency(hertz: float) -> str:
    """A frequency in GHz from 1 GHz, in MHz below."""
    return f"{plain(hertz / 1e9)} GHz" if hertz >= 1e9 else f"{plain(hertz / 1e6)} MHz"


def array_sheet(block: Json) -> Sheet:
    """A memory array: pitch, cell area and how many cells."""
    array = block["array"]
    counted = array.get("cells") is not None
    facts = [
        ("Cell pitch across", f"{with_u(array['pitch_x_um'], array.get('pitch_x_um_u'))} µm"),
        ("Cell pitch down", f"{with_u(array['pitch_y_um'], array.get('pitch_y_um_u'))} µm"),
        ("Area of a cell", f"{with_u(array['cell_area_um2'], array.get('cell_area_um2_u'))} µm²"),
    ]
    if array.get("columns") is not None and array.get("rows") is not None:
        facts.append(("Columns × rows", f"{rounded(array['columns'], 0)} × {rounded(array['rows'], 0)}"))
    if array.get("banks") is not None:
        facts.append(("Banks", str(array["banks"])))
    mirrored = [axis for key, axis in (("mirrored_x", "across"), ("mirrored_y", "down")) if array.get(key)]
    if mirrored:
        facts.append(("Neighbouring cells", f"mirrored {' and '.join(mirrored)}"))
    remarks = list(map(str, array.get("remarks") or ()))
    if counted:
        cells = array["cells"]
        remarks.insert(
            0, f"If every cell holds one bit, that is {_bits(cells)}; the area alone does not say so."
        )
    headline = f"{rounded(array['cells'], 0)} cells" if counted else "pitch only, cells not counted"
    return Sheet(str(block["name"]), block["kind"], headline, tuple(facts), remarks=tuple(remarks))


def _bits(cells: int) -> str:
    if cells < 8192:
        return f"{rounded(cells, 0)} bits"
    return f"{plain(cells / 8192, figures=3)} KiB"


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
                facts.append((what, plain(trace[key])))
        if trace.get("assumption"):
            remarks.append(str(trace["assumption"]))
    mm = trace["length_um"] >= 1000
    factor, unit = (1e-3, "mm") if mm else (1.0, "µm")
    headline = f"{with_u(trace['length_um'] * factor, (trace.get('length_um_u') or 0) * factor)} {unit}"
    return Sheet(str(block["name"]), block["kind"], headline, tuple(facts), remarks=tuple(remarks))


def registration(layout: Json, scale: Json) -> Registration:
    """Figures of the layout, and each tile that is ambiguous, placed by the stage or skipped."""
    tiles, pairs = layout["tiles"], layout.get("pairs") or ()
    used = sum(bool(pair["used"]) for pair in pairs)
    worst = max((max(t["x_px_u"] or 0.0, t["y_px_u"] or 0.0) for t in tiles), default=0.0)
    rms = layout.get("rms_residual_px")
    rms_um = None if rms is None else rms * scale["um_per_px_x"]
    doubtful = []
    for tile in tiles:
        if tile["ambiguous"]:
            places = "; ".join(f"x {plain(x)}, y {plain(y)}" for x, y in tile["alternatives"])
            doubtful.append(
                (tile["name"], "ambiguous", f"would fit as well at {places} px" if places else "")
            )
        elif tile["placed_by"] == "stage":
            doubtful.append((tile["name"], "placed by the stage", "its pictures alone do not fix it"))
    tallies = [
        Tally(str(len(tiles)), "", "tiles placed"),
        Tally(f"{used} of {len(pairs)}", "", "measured overlaps used"),
        Tally(plain(rms, figures=2), "px", "rms misfit of overlaps", length(rms_um, figures=2)),
        Tally(plain(worst, figures=2), "px", "largest position uncertainty (k = 1)"),
    ]
    return Registration(
        tallies=tuple(tallies),
        doubtful=tuple(doubtful),
        skipped=tuple((item["name"], item["reason"]) for item in layout.get("skipped") or ()),
        notes=tuple(map(str, layout.get("notes") or ())),
    )


def _scale_facts(scale: Json) -> tuple[tuple[str, str], ...]:
    facts = [("Along x", f"{with_u(scale['um_per_px_x'], scale.get('um_per_px_x_u'))} µm per pixel")]
    facts.append(("Along y", f"{with_u(scale['um_per_px_y'], scale.get('um_per_px_y_u'))} µm per pixel"))
    independent = scale.get("axes_independent")
    facts.append(
        (
            "Axes",
            "measured apart, from two pictures"
            if independent
            else "one picture; both axes carry the same value",
        )
    )
    if scale.get("pitch_um"):
        facts.append(("Pitch of the ruling", f"{with_u(scale['pitch_um'], scale.get('pitch_um_u'))} µm"))
    if scale.get("lines_used"):
        facts.append(("Lines used", str(scale["lines_used"])))
    if scale.get("rotation_deg") is not None:
        facts.append(("Ruling turned by", f"{plain(scale['rotation_deg'], figures=3)}°"))
    if scale.get("source"):
        facts.append(("Source", str(scale["source"])))
    return tuple(facts)


def budget_rows(lines: Iterable[Json]) -> tuple[tuple[str, str, str], ...]:
    """(name, u with unit, note) for each line of an uncertainty budget, largest first."""
    ranked = sorted(lines, key=lambda line: -abs(line.get("u") or 0.0))
    return tuple(
        (
            str(line["name"]),
            _contribution(line),
            " · ".join(
                part
                for part in (f"type {line['kind']}" if line.get("kind") else "", line.get("note") or "")
                if part
            ),
        )
        for line in ranked
    )


def _contribution(line: Json) -> str:
    unit = line.get("unit") or ""
    if unit == "1":  # relative contributions read best in percent
        return f"{plain_small((line.get('u') or 0.0) * 100)} %"
    return f"{plain_small(line.get('u'))} {unit}".strip()


def plain_small(value: float | None) -> str:
    """Two significant figures; powers of ten below 0.0001, so that a small contribution stays readable."""
    if value is not None and 0 < abs(value) < 1e-4:
        mantissa, exponent = f"{value:.1e}".split("e-")
        digits = str(int(exponent)).translate(str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹"))
        return f"{mantissa} · 10⁻{digits}"
    return plain(value, figures=2)


def _assumptions(measured: Json, blocks: Sequence[Json]) -> tuple[str, ...]:
    said = [str(text) for text in measured.get("assumptions") or ()]
    for block in blocks:
        said += [str(text) for text in (block.get("inductor") or {}).get("assumptions") or ()]
    return tuple(dict.fromkeys(said))
