"""What `dieplat survey` prints: the report's own words and numbers, as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.table import Table
from rich.text import Text

from dieplat_cli.console import out

if TYPE_CHECKING:
    from dieplat.evening import SurveyResult
    from dieplat.report.content import Content


def print_survey(result: SurveyResult) -> None:
    """Print what a person wants to know first, and where the rest lies."""
    from dieplat import __version__
    from dieplat.report.content import build_content
    from dieplat.report.folder import REPORT, read_outputs

    content = build_content(read_outputs(result.folder), version=__version__)
    out.print(Text(f"\n{content.title}", style="bold"))
    out.print(Text(content.lead))
    out.print(_blocks(content))
    for sheet in (*content.inductors, *content.arrays, *content.traces):
        facts = "; ".join(f"{what.lower()} {value}" for what, value in sheet.facts)
        out.print(Text(f"{sheet.name}: {sheet.headline}", style="bold"))
        if facts:
            out.print(Text(f"  {facts}"))
    for alert in content.alerts:
        out.print(Text(f"Note: {alert}", style="yellow"))
    if content.registration is not None:
        for name, what, more in content.registration.doubtful:
            out.print(Text(f"{name}: {what}{'; ' if more else ''}{more}", style="yellow"))
        for name, reason in content.registration.skipped:
            out.print(Text(f"left out: {name}: {reason}"))
    out.print(Text("± is the expanded uncertainty, k = 2 (about 95 %)."))
    if result.reused:
        out.print(Text(f"Kept from an earlier run: {', '.join(result.reused)}."))
    out.print(Text(f"Report: {result.folder / REPORT}"))


def _blocks(content: Content) -> Table:
    table = Table("Block", "Kind")
    for heading in ("Area ± U", "", "Share of the die"):
        table.add_column(heading, justify="left" if heading == "" else "right")
    for row in content.rows:
        table.add_row(Text(row.name), row.label, row.value, row.unit, row.share)
    grouped = {rows[0].kind for _, rows in content.groups}
    for row in content.summary:
        if row.kind in grouped or row.kind == "unassigned":
            name = "" if row.kind == "unassigned" else f"all {row.name}"
            table.add_row(name, row.label, row.value, row.unit, row.share)
    return table
