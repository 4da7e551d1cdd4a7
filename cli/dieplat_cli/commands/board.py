"""`dieplat board`: traces of a photographed circuit board."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from dieplat.antenna.quarter_wave import Factor

EPILOG = """Examples:

dieplat annotate board.jpg board.geojson

dieplat board board.jpg board.geojson --out board.json

dieplat board board.jpg board.geojson --out board.json --channel 6 --velocity-factor 0.75:0.85 --shortening-factor 0.6

dieplat board board.jpg board.geojson --out board.json --frequency-hz 2.44e9 --permittivity 4.0:4.6 --board-mm 0.8

What is known on the board is said in the drawing by properties: a line with length_um; a ruler's marks as a line with
every_um; a rectangle with sides_um [a, b]; marks with at_um [x, y]. known_u_um is how well, above_um how high above the
traces it lies."""

PANEL_WAVE = "Compared with a quarter wave"
PANEL_CAMERA = "The camera, where the known things leave it open"


def register(app: typer.Typer) -> None:
    """Add `board`."""
    app.command(name="board", epilog=EPILOG)(board)


def board(
    photo: Annotated[Path, typer.Argument(help="The photograph of the board.")],
    annotations: Annotated[Path, typer.Argument(help="GeoJSON: traces, and what is known, in its pixels.")],
    out: Annotated[Path, typer.Option("--out", help="board.json to write; .png and .html go beside it.")],
    frequency_hz: Annotated[
        float | None, typer.Option("--frequency-hz", help="What to compare with.", rich_help_panel=PANEL_WAVE)
    ] = None,
    channel: Annotated[
        int | None,
        typer.Option("--channel", help="The same, as a 2.4 GHz channel of IEEE 802.11.", rich_help_panel=PANEL_WAVE),
    ] = None,
    velocity_factor: Annotated[
        str | None,
        typer.Option("--velocity-factor", help="Of the wave on the trace; or LOW:HIGH.", rich_help_panel=PANEL_WAVE),
    ] = None,
    shortening_factor: Annotated[
        str | None,
        typer.Option(
            "--shortening-factor", help="What a meander's length counts for; or LOW:HIGH.", rich_help_panel=PANEL_WAVE
        ),
    ] = None,
    permittivity: Annotated[
        str | None,
        typer.Option(
            "--permittivity",
            help="Of the board, in place of a velocity factor; or LOW:HIGH.",
            rich_help_panel=PANEL_WAVE,
        ),
    ] = None,
    board_mm: Annotated[
        float | None, typer.Option("--board-mm", help="Its thickness.", rich_help_panel=PANEL_WAVE)
    ] = None,
    width_mm: Annotated[
        float, typer.Option("--width-mm", help="Width of the trace, with --permittivity.", rich_help_panel=PANEL_WAVE)
    ] = 0.5,
    over_ground: Annotated[
        bool,
        typer.Option("--over-ground", help="The trace runs over a ground plane.", rich_help_panel=PANEL_WAVE),
    ] = False,
    focal_mm: Annotated[
        float | None,
        typer.Option(
            "--focal-mm",
            help="Focal length over a 24 x 36 mm picture; else as the picture states it.",
            rich_help_panel=PANEL_CAMERA,
        ),
    ] = None,
    tilt_u_deg: Annotated[
        float,
        typer.Option("--tilt-u-deg", help="How square it was held (k = 1).", rich_help_panel=PANEL_CAMERA),
    ] = 5.0,
    vertex_u_px: Annotated[float, typer.Option("--vertex-u-px", help="How well points are set (k = 1).")] = 0.5,
    find_middle: Annotated[
        bool, typer.Option("--find-middle", help="Put traces that state a width on the middle of their conductor.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the results as JSON.")] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Write over files that dieplat did not make.")] = False,
) -> None:
    """Measure traces on a photographed circuit board, such as a printed antenna.

    Tilt and distortion of the camera are taken out by what is known on the board: a ruler, a part, two points. Two
    points give a length that is good to a few percent; four or more around the trace make it many times surer.
    """
    from dieplat.annotations import load_regions
    from dieplat.board.fit import Usual
    from dieplat.board.stated import stated_focal_mm
    from dieplat.files import check_replaceable, sha256_of, write_bytes, write_json
    from dieplat.report.board_page import render_board
    from dieplat.report.board_picture import draw_board
    from dieplat.report.picture import png_bytes
    from dieplat.survey.board import WaveQuestion, measure_board
    from dieplat.tiles.read import read_picture
    from dieplat_cli.board_table import print_board
    from dieplat_cli.console import print_json, say

    drawn, page = out.with_suffix(".png"), out.with_suffix(".html")
    for path in (out, drawn, page):
        check_replaceable(path, replace=replace)
    velocity = _velocity(velocity_factor, permittivity, board_mm, width_mm, over_ground=over_ground)
    question = WaveQuestion(
        _frequency(frequency_hz, channel), velocity, _range(shortening_factor, "--shortening-factor")
    )
    picture = read_picture(photo)
    regions = load_regions(annotations)
    usual = Usual(
        tilt_u_deg=tilt_u_deg,
        focal_mm=focal_mm if focal_mm is not None else stated_focal_mm(photo),
        point_u_px=vertex_u_px,
    )
    found = measure_board(regions, picture, usual=usual, question=question, find_middle=find_middle)
    write_json(out, found.to_dict())
    flat = draw_board(picture, regions.regions, found)
    write_bytes(drawn, png_bytes(flat))
    inputs = {path.name: sha256_of(path) for path in (photo, annotations)}
    write_bytes(page, render_board(found, flat, title=photo.stem, inputs=inputs).encode("utf-8"))
    if as_json:
        print_json(found.to_dict())
    else:
        print_board(found)
    say(f"wrote {out}, {drawn} and {page}")


def _frequency(frequency_hz: float | None, channel: int | None) -> float | None:
    from dieplat.antenna.bands import channel_hz
    from dieplat.errors import SettingsError

    if frequency_hz is not None and channel is not None:
        raise SettingsError("--frequency-hz and --channel: give one of them")
    return channel_hz(channel) if channel is not None else frequency_hz


def _range(text: str | None, name: str) -> Factor | None:
    """A number, or LOW:HIGH."""
    from dieplat.errors import SettingsError

    if text is None:
        return None
    try:
        numbers = [float(part) for part in text.split(":")]
    except ValueError:
        numbers = []
    if len(numbers) not in (1, 2):
        raise SettingsError(f"{name} {text!r}: give a number, or a range such as 0.75:0.85")
    return numbers[0] if len(numbers) == 1 else (numbers[0], numbers[1])


def _velocity(
    factor: str | None, permittivity: str | None, board_mm: float | None, width_mm: float, *, over_ground: bool
) -> Factor | None:
    from dieplat.errors import SettingsError
    from dieplat.survey.board import velocity_range

    if permittivity is None:
        return _range(factor, "--velocity-factor")
    if factor is not None:
        raise SettingsError("--velocity-factor and --permittivity: give one of them")
    if board_mm is None:
        raise SettingsError("--permittivity: needs the thickness of the board too; give --board-mm")
    value = _range(permittivity, "--permittivity")
    assert value is not None
    return velocity_range(value, width_um=1e3 * width_mm, board_um=1e3 * board_mm, over_ground=over_ground)
