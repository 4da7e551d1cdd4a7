"""The tables that `dieplat measure` and `dieplat survey` print."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict

from rich.table import Table
from rich.text import Text

from dieplat.report.array_rows import bits, other_counts, technology_rows
from dieplat.report.die_sheet import die_facts
from dieplat.report.numbers import COVERAGE, DASH, area_with_u, length, percent, plain, with_micro, with_u
from dieplat.values.measurements import ArrayResult, BlockResult, InductorResult, Measurements
from dieplat_cli.coil_table import assumed_line, with_range
from dieplat_cli.console import out

MOST_ROWS = 16
"""A kind with more blocks than this (pads, mostly) has one row; all of them are in the files."""


def print_measurements(results: Measurements) -> None:
    """Print what was measured: the die, the blocks, sums by kind, details, warnings and assumptions."""
    if results.die is not None:
        die = results.die
        area, unit = area_with_u(die.area_um2, die.area_um2_u)
        sides = f"{length(die.width_um)} x {length(die.height_um)}"
        out.print(Text(f"Die {sides}, area {area} {unit}"))
        for what, value in die_facts(asdict(die)):
            out.print(Text(f"{what}: {value}"))
    out.print(_block_table(results))
    out.print(_summary_table(results))
    for block in results.blocks:
        for line in details(block):
            out.print(Text(with_micro(line)))
    out.print(Text(f"± is U = {COVERAGE:g} u (about 95 %)."))
    for assumption in results.assumptions:
        out.print(Text(f"Assumed: {with_micro(assumption)}."))
    for line in _assumed(results):
        out.print(Text(f"Assumed for inductors: {with_micro(line)}."))
    for warning in results.warnings:
        out.print(Text(f"Warning: {with_micro(warning)}", style="yellow"))


def details(block: BlockResult) -> list[str]:
    """Lines on a block's inductor, array or trace."""
    lines = []
    if block.inductor is not None:
        geometry, estimate = block.inductor.geometry, block.inductor.estimate
        lines.append(
            f"{block.name}: {geometry.shape} inductor, {with_u(geometry.turns, geometry.turns_u)} turns, "
            f"outer {length(geometry.outer_um)}, "
            f"inner {length(geometry.inner_um)}, width {length(geometry.width_um)}, spacing "
            f"{length(geometry.spacing_um)} (from the {geometry.method}); "
            f"{with_u(estimate.inductance_nh, estimate.inductance_nh_u)} nH"
        )
        if block.inductor.capacitance_pf is not None and block.inductor.frequency_hz is not None:
            pf = with_u(block.inductor.capacitance_pf, block.inductor.capacitance_pf_u)
            lines.append(f"{block.name}: resonates at {block.inductor.frequency_hz / 1e6:g} MHz with {pf} pF")
        lines += [f"{block.name}: {text}" for text in _in_a_circuit(block.inductor)]
        lines += [f"{block.name}: {remark}" for remark in (*geometry.remarks, *estimate.remarks)]
    if block.array is not None:
        array = block.array
        cells = "not counted"
        if array.cells is not None:
            cells = f"{array.cells} in {array.columns} columns x {array.rows} rows, {array.banks} bank(s)"
            cells += other_counts(array.to_dict())
        lines.append(
            f"{block.name}: pitch {with_u(array.pitch_x_um, array.pitch_x_um_u)} x "
            f"{with_u(array.pitch_y_um, array.pitch_y_um_u)} µm, cell "
            f"{with_u(array.cell_area_um2, array.cell_area_um2_u)} µm², cells {cells}"
        )
        mirrored = [axis for axis, yes in (("x", array.mirrored_x), ("y", array.mirrored_y)) if yes]
        if mirrored:
            axes = " and ".join(mirrored)
            lines.append(f"{block.name}: cells are mirrored along {axes}; the pitch is one cell, half the period seen")
        lines += [f"{block.name}: {text}" for text in _of_memory(array)]
        lines += [f"{block.name}: {remark}" for remark in array.remarks]
    if block.trace is not None:
        line = f"{block.name}: length {with_u(block.trace.length_um, block.trace.length_um_u)} µm"
        wave = block.trace.quarter_wave
        if wave is not None:
            line += (
                f", {plain(wave.ratio_to_quarter_wave)} of a quarter wave at {wave.frequency_hz / 1e6:g} MHz "
                f"({wave.assumption})"
            )
        lines.append(line)
        if wave is not None:
            lines.append(f"{block.name}: {wave.verdict}")
    return lines


def _in_a_circuit(inductor: InductorResult) -> list[str]:
    """Resistance, Q and self-resonance with their ranges; the assumptions stand once for all inductors."""
    electrical = inductor.electrical
    if electrical is None:
        return []
    texts = []
    if electrical.resistance_ohm is not None:
        texts.append(f"{with_range(electrical.resistance_ohm)} ohm")
    best = electrical.at or electrical.peak
    if best is not None and best.quality is not None:
        texts.append(f"Q {with_range(best.quality)} at {best.frequency_hz / 1e9:.3g} GHz")
    texts.append(f"self-resonance {with_range(electrical.self_resonance_hz, 1e-9)} GHz")
    return ["; ".join(texts) + " (ranges of all that was assumed)", *inductor.explanations]


def _assumed(results: Measurements) -> list[str]:
    """Every assumption of the electrical figures once, in words."""
    lines = [
        assumed_line(line)
        for block in results.blocks
        if block.inductor is not None and block.inductor.electrical is not None
        for line in block.inductor.electrical.assumed
    ]
    return list(dict.fromkeys(lines))


def _of_memory(array: ArrayResult) -> list[str]:
    """Bits, the cells' share of the outline, why there are banks, and technologies that the cell's area allows."""
    lines = []
    if array.capacity_bits is not None:
        lines.append(f"{bits(array.capacity_bits)}, at {array.bits_per_cell:g} a cell as stated")
    if array.efficiency is not None:
        u = None if array.efficiency_u is None else 100 * array.efficiency_u
        lines.append(f"cells take {with_u(100 * array.efficiency, u)} % of the outline")
    lines += array.explanations
    if array.technology:
        rows = technology_rows(array.to_dict())
        lines.append("cell area consistent with " + "; ".join(f"{kind} at {nodes}" for kind, nodes, _ in rows))
    lines += [f"assumed: {text}" for text in array.technology_assumes]
    return lines


def _block_table(results: Measurements) -> Table:
    table = Table("Block", "Kind", title="Blocks")
    for heading in ("Area ± U95", "", "Perimeter", "Share of die"):
        table.add_column(heading, justify="left" if heading == "" else "right")
    counts = Counter(block.kind for block in results.blocks)
    for block in results.blocks:
        if counts[block.kind] > MOST_ROWS:
            continue
        area, unit = (DASH, "") if block.area_um2 is None else area_with_u(block.area_um2, block.area_um2_u)
        perimeter = length(block.perimeter_um)
        share = percent(block.share_of_die, decimals=2)
        table.add_row(Text(block.name), block.kind, area, unit, perimeter, share)
    for kind, count in counts.items():
        if count > MOST_ROWS:
            table.add_row(f"({count} blocks)", kind, "", "", "", "")
    return table


def _summary_table(results: Measurements) -> Table:
    table = Table("Kind", title="By kind")
    for heading in ("Count", "Area ± U95", "", "Share of die"):
        table.add_column(heading, justify="left" if heading == "" else "right")
    for line in results.summary:
        area, unit = area_with_u(line.area_um2, line.area_um2_u)
        table.add_row(line.kind, str(line.count), area, unit, percent(line.share_of_die, decimals=2))
    if results.die is not None and results.unassigned_um2 is not None:
        area, unit = area_with_u(results.unassigned_um2, results.unassigned_um2_u)
        share = percent(results.unassigned_um2 / results.die.area_um2, decimals=2)
        table.add_row("unassigned", "", area, unit, share)
    return table
