"""`dieplat survey`: the whole job on one folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EXAMPLES = """
Examples:

dieplat survey sample_tiles --out out/sample

dieplat survey evening_3 --out evening_3_results --pitch-um 10
"""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("survey", epilog=EXAMPLES)(survey)


def survey(
    folder: Annotated[
        Path, typer.Argument(help="Folder with survey.toml, or with tiles/, micrometer.* and blocks.geojson.")
    ],
    out: Annotated[Path, typer.Option("--out", help="Folder for the results; made if missing.")],
    pitch_um: Annotated[
        float | None,
        typer.Option("--pitch-um", help="Distance of the micrometer's lines in µm; wins over survey.toml."),
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Threads to use; all cores unless given.")
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over files in --out that this survey did not make.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the results as JSON.")] = False,
) -> None:
    """Photographs in, numbers and a report out.

    Checks every input first and writes nothing if one is unusable. Run it again after an interruption
    or a change: what is still valid is kept.
    """
    from dieplat.evening import run_survey
    from dieplat.settings import load_settings
    from dieplat_cli import console
    from dieplat_cli.survey_table import print_survey

    settings = load_settings(folder, pitch_um=pitch_um)
    with console.workers(workers) as executor, console.progress_bars() as bars:
        result = run_survey(settings, out, replace=replace, executor=executor, progress=bars)
    if as_json:
        console.print_json(result.to_dict())
    else:
        print_survey(result)
