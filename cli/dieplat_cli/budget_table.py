"""The uncertainty of every block line by line, as `dieplat measure --budget` prints it."""

from __future__ import annotations

from collections.abc import Sequence

from rich.table import Table
from rich.text import Text

from dieplat.report.numbers import with_micro
from dieplat.report.sheets import plain_small
from dieplat.values import BudgetLine
from dieplat.values.measurements import Measurements
from dieplat_cli.console import out


def print_budgets(results: Measurements) -> None:
    """A table for the die's area and sides, and one for every block."""
    out.print(Text("Uncertainty budgets: standard uncertainties (k = 1) that the causes contribute, largest first."))
    if results.die is not None:
        die = results.die
        for what, lines in (("area", die.budget), ("width", die.width_budget), ("height", die.height_budget)):
            out.print(budget_table(f"{die.name}: {what}", lines))
    for block in results.blocks:
        if block.budget:
            what = "length" if block.trace is not None else "area"
            out.print(budget_table(f"{block.name}: {what}", block.budget))


def budget_table(title: str, lines: Sequence[BudgetLine]) -> Table:
    """Lines of a budget, the largest first, with their part of the variance."""
    table = Table("Cause", title=title)
    table.add_column("u", justify="right")
    table.add_column("", justify="left")
    table.add_column("Variance", justify="right")
    table.add_column("Type")
    table.add_column("How it is known")
    total = sum(line.u**2 for line in lines)
    for line in sorted(lines, key=lambda line: -line.u):
        part = f"{100 * line.u**2 / total:.1f} %" if total > 0 else ""
        table.add_row(Text(line.name), plain_small(line.u), with_micro(line.unit), part, line.kind, Text(line.note))
    return table
