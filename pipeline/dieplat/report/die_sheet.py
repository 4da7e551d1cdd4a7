"""The die's facts and the budgets of blocks, in words and rounded numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dieplat.report.numbers import leading, turned, with_micro, with_u
from dieplat.report.sheets import budget_rows

Json = Mapping[str, Any]

MOST_BUDGETS = 60
"""At most so many blocks have their budget on the page; all are in measurements.json."""


def die_facts(die: Json | None) -> tuple[tuple[str, str], ...]:
    """(what, value) pairs: where the outline came from, its direction, pads, dies on a wafer."""
    if not die:
        return ()
    facts = []
    if die.get("found"):
        facts.append(("Outline of the die", "found in the picture, not drawn; check it on the map"))
    if die.get("rotation_deg") is not None:
        turn = turned(die["rotation_deg"], die.get("rotation_deg_u"))
        facts.append(("Die against the mosaic", f"turned by {turn}"))
    if die.get("pads"):
        facts.append(("Pads", f"{die['pads']}: {'; '.join(_pad_row(row) for row in die.get('pad_rows') or ())}"))
    wafer = die.get("wafer")
    if wafer:
        formula, placed = leading(wafer["dies_formula"]), leading(wafer["dies_placed"])
        assumed = with_micro(wafer["assumption"])
        text = f"about {formula} by the usual formula, {placed} by placing them; assuming {assumed}"
        facts.append(("Dies on a wafer", text))
    return tuple(facts)


def _pad_row(row: Json) -> str:
    where = "away from the rim" if row["side"] == "inside" else f"at the {row['side']}"
    if row.get("pitch_um") is None:
        return f"{row['count']} {where}"
    how = "pitch" if row["even"] else "not evenly spaced, usual pitch"
    return f"{row['count']} {where}, {how} {with_u(row['pitch_um'], row.get('pitch_um_u'))} µm"


def block_budgets(die: Json | None, blocks: Sequence[Json]) -> tuple[tuple[str, tuple[tuple[str, str, str], ...]], ...]:
    """(name, rows of the budget) of the die's area and sides and of every block."""
    found = []
    if die:
        for what, key in (("area", "budget"), ("width", "width_budget"), ("height", "height_budget")):
            found.append((f"{die.get('name') or 'Die'}: {what}", die.get(key)))
    found += [(f"{block['name']}: area", block.get("budget")) for block in blocks[:MOST_BUDGETS]]
    return tuple((name, budget_rows(lines)) for name, lines in found if lines)
