"""What the report says: every number of the JSON files turned into rows of words, before any layout."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from dieplat.report.die_sheet import block_budgets, die_facts
from dieplat.report.folder import Outputs
from dieplat.report.numbers import DASH, area_with_u, length, percent, plain, rounded, with_micro, with_u
from dieplat.report.palette import AREA_KINDS, style_of
from dieplat.report.sheets import Sheet, array_sheet, budget_rows, inductor_sheet, trace_sheet

Json = Mapping[str, Any]

MANY = 8
"""More blocks of a kind than this are folded into one line of the table."""

LISTED = 1000
"""At most so many input files are listed with their digests; all are in survey_state.json."""

UNCERTAINTY_PARTS = (
    "the scale: how well the micrometer's lines were located, the ruling's own stated tolerance, and how well the "
    "pixels are known to be square. It acts on every area alike, so shares of the die do not feel it",
    "the placement of tiles under the outline, from the residuals of the overlaps, and what is left of the lens's "
    "distortion",
    "the drawn vertices and edges: where the outline was put, and a common offset of all edges; for outlines that were "
    "refined on the picture, how well their corners were found",
)
CAUTIONS = (
    "An area is that of the outline that somebody drew. How a block got its name is a judgement, not a measurement.",
    "A photograph shows the uppermost layers. Metal thickness cannot be seen in it; it is an assumption "
    "of every inductance here.",
    "Inductances hold for the coil alone: no ground plane unless one is stated, no fill metal, no neighbours.",
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
    more_inputs: int
    version: str
    die_facts: tuple[tuple[str, str], ...] = ()
    block_budgets: tuple[tuple[str, tuple[tuple[str, str, str], ...]], ...] = ()
    parts: tuple[str, ...] = UNCERTAINTY_PARTS
    cautions: tuple[str, ...] = field(default=CAUTIONS)


def build_content(outputs: Outputs, *, version: str) -> Content:
    """Say in words and rounded numbers what the files of an output folder hold."""
    measured = outputs.measurements
    blocks: Sequence[Json] = measured.get("blocks") or ()
    areas = [block for block in blocks if block.get("area_um2") is not None and block["kind"] != "die"]
    # Equal pads differ in their last digits only: those that read the same stay in the order in which they were drawn.
    areas.sort(key=lambda block: -float(f"{block['area_um2']:.6g}"))
    many = _many(areas)
    inputs = tuple(sorted((outputs.state.get("inputs") or {}).items()))
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
        inputs=inputs[:LISTED],
        more_inputs=max(len(inputs) - LISTED, 0),
        version=version,
        die_facts=die_facts(measured.get("die")),
        block_budgets=block_budgets(measured.get("die"), [block for block in areas if block["kind"] not in many]),
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
        sentences.append("No die was measured, so areas are given without shares of the die.")
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
        drawn = sum(block["kind"] == "memory_array" for block in measured["blocks"])
        where = _count(len(cells), "array") if drawn <= len(cells) else f"{len(cells)} of {drawn} arrays"
        tallies.append(Tally(rounded(sum(cells), 0), "", f"memory cells in {where}"))
    coils = [block["inductor"] for block in measured.get("blocks") or () if block.get("inductor")]
    if len(coils) == 1:
        tallies.append(Tally(with_u(coils[0]["inductance_nh"], coils[0].get("inductance_nh_u")), "nH", "inductor"))
    elif coils:
        tallies.append(Tally(str(len(coils)), "", "inductors"))
    tallies.append(Tally(str(len(areas)), "", "block measured" if len(areas) == 1 else "blocks measured"))
    u_rel = (scale.get("um_per_px_x_u") or 0.0) / scale["um_per_px_x"]
    if u_rel > 0:
        tallies.append(Tally(f"± {plain(2 * u_rel * 100, figures=2)}", "%", "scale"))
    if outputs.layout:
        tallies.append(Tally(plain(outputs.layout.get("rms_residual_px"), figures=2), "px", "rms misfit of overlaps"))
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
                f"{_count(doubtful, 'tile')} could lie in more than one place. What lies across such a "
                "tile was not measured; see how well the tiles fit, below."
            )
        if staged:
            alerts.append(f"{_count(staged, 'tile')} could only be placed by the stage's regular steps.")
        skipped = len(outputs.layout.get("skipped") or ())
        if skipped:
            was = "was" if skipped == 1 else "were"
            alerts.append(f"{_count(skipped, 'file')} in the folder of tiles {was} left out.")
    alerts += [with_micro(text) for text in outputs.measurements.get("warnings") or ()]
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
                share_with_u(left / die["area_um2"], measured.get("unassigned_share_u")),
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
            doubtful.append((tile["name"], "ambiguous", f"would fit as well at {places} px" if places else ""))
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
            "measured apart, from two pictures" if independent else "one picture; both axes carry the same value",
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


def _assumptions(measured: Json, blocks: Sequence[Json]) -> tuple[str, ...]:
    said = [with_micro(text) for text in measured.get("assumptions") or ()]
    for block in blocks:
        said += [with_micro(text) for text in (block.get("inductor") or {}).get("assumptions") or ()]
    return tuple(dict.fromkeys(said))
