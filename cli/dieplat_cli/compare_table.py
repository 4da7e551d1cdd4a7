"""The table that `dieplat compare` prints."""

from __future__ import annotations

from rich.table import Table
from rich.text import Text

from dieplat.compare import Comparison
from dieplat.report.compare_page import table_rows
from dieplat.report.numbers import COVERAGE
from dieplat_cli.console import out


def print_comparison(comparison: Comparison) -> None:
    """One column a die, one line a quantity, then what must be known of each die."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("")
    for die in comparison.dies:
        table.add_column(Text(die.name), justify="right", overflow="fold")
    for what, _, texts in table_rows(comparison):
        table.add_row(Text(what), *map(Text, texts))
    out.print(table)
    out.print(Text(f"± is U = {COVERAGE:g} u (about 95 %); of a kind: area, share of the die, blocks."))
    for die in comparison.dies:
        for note in die.notes:
            out.print(Text(f"{die.name}: {note}.", style="yellow"))
