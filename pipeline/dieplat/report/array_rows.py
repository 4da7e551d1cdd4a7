"""What the report says of a memory array, in words and rounded numbers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dieplat.report.numbers import plain, rounded, turned, with_u

Json = Mapping[str, Any]


def array_facts(array: Json) -> tuple[tuple[str, str], ...]:
    """(what, value) of an array's lattice, in the order of reading."""
    facts = [
        ("Cell pitch across", f"{with_u(array['pitch_x_um'], array.get('pitch_x_um_u'))} µm"),
        ("Cell pitch down", f"{with_u(array['pitch_y_um'], array.get('pitch_y_um_u'))} µm"),
        ("Area of a cell", f"{with_u(array['cell_area_um2'], array.get('cell_area_um2_u'))} µm²"),
    ]
    if array.get("columns") is not None and array.get("rows") is not None:
        facts.append(("Columns × rows", f"{rounded(array['columns'], 0)} × {rounded(array['rows'], 0)}"))
    if array.get("banks") is not None:
        facts.append(("Banks", str(array["banks"])))
    for gap in array.get("gaps") or ():
        where = "side by side" if gap["axis"] == "x" else "one above the other"
        width = with_u(gap["width_um"], gap.get("width_um_u"))
        facts.append((f"Gap between banks {where}", f"{width} µm, about {gap['pitches']:.1f} cells"))
    mirrored = [axis for key, axis in (("mirrored_x", "across"), ("mirrored_y", "down")) if array.get(key)]
    if mirrored:
        facts.append(("Neighbouring cells", f"mirrored {' and '.join(mirrored)}"))
    if array.get("rotation_deg") is not None:
        facts.append(("Rows turned by", turned(array["rotation_deg"])))
    if array.get("efficiency") is not None:
        u = array.get("efficiency_u")
        share = with_u(100 * array["efficiency"], None if u is None else 100 * u)
        facts.append(("Cells' share of the outline", f"{share} %"))
    if array.get("capacity_bits") is not None:
        facts.append(("Capacity", bits(array["capacity_bits"])))
    return tuple(facts)


def other_counts(array: Json) -> str:
    """What belongs beside a count where the picture leaves open whether a symmetric period is one cell or two."""
    others = [rounded(count, 0) for count in array.get("other_cells") or ()]
    return f", or {' or '.join(others)} if a symmetric cell is counted the other way" if others else ""


def capacity_words(array: Json) -> tuple[str, ...]:
    """What the count means in bits."""
    if array.get("cells") is None:
        return ()
    if array.get("capacity_bits") is not None:
        each = f"{array['bits_per_cell']:g} {'bit' if array['bits_per_cell'] == 1 else 'bits'} a cell, as stated"
        return (f"With {each}, that is {bits(array['capacity_bits'])}.",)
    return (f"If every cell holds one bit, that is {bits(array['cells'])}; the area alone does not say so.",)


def bits(count: float) -> str:
    """A capacity in bits, from 8192 bits on in KiB, from 8 Mbit on in MiB (IEC 80000-13 for the prefixes)."""
    if count < 8192:
        return f"{rounded(count, 0)} bits"
    if count < 8 * 2**20:
        return f"{plain(count / 8192)} KiB"
    return f"{plain(count / 2**23)} MiB"


def technology_rows(array: Json) -> tuple[tuple[str, str, str], ...]:
    """(kind, nodes, on what that rests) of every technology that the cell's area is consistent with."""
    rows = []
    for item in array.get("technology") or ():
        low, high = item["node_low_nm"], item["node_high_nm"]
        nodes = f"{low:.0f} nm" if low == high else f"{low:.0f} to {high:.0f} nm"
        sources = "; ".join(map(str, item["sources"]))
        rows.append((str(item["kind"]), nodes, f"{item['basis']}. Source: {sources}"))
    return tuple(rows)
