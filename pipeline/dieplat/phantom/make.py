"""Write a phantom: a folder with everything a survey needs, and the truth about it."""

from __future__ import annotations

import io
import math
from collections.abc import Iterator
from dataclasses import replace as changed
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import tifffile

from dieplat.errors import OutputExistsError
from dieplat.files import write_bytes, write_json
from dieplat.phantom.camera import (
    MARGIN_PX,
    Exposure,
    Frame,
    expose,
    exposures,
    positions_by_hand,
    stage_positions,
    take_tile,
    undistorted,
)
from dieplat.phantom.die import plan_die
from dieplat.phantom.focus import FOCUS_MARGIN_PX, FocusPlan, Shot, defocus, heights, seen_from, shots
from dieplat.phantom.record import description, recorded_positions
from dieplat.phantom.render import DieRaster, look
from dieplat.phantom.ruler import plan_ruler
from dieplat.phantom.scenario import Scenario, scenario_for
from dieplat.phantom.truth import TrueTile, Truth
from dieplat.work import Progress

Float = npt.NDArray[np.float64]
RIM_PX = 24.0


def plan_phantom(scenario: Scenario, *, seed: int, preset: str = "ordinary") -> Truth:
    """Settle the die, the frame and every tile's place, without drawing a pixel."""
    rng = np.random.default_rng([seed, 1])
    columns = scenario.columns or int(rng.integers(4, 7))
    rows = scenario.rows or int(rng.integers(3, 6))
    um_x = float(np.round(rng.uniform(*scenario.um_per_px), 4))
    um_y = um_x * scenario.um_per_px_ratio_y
    rotation = scenario.rotation_deg * float(rng.uniform(-1.0, 1.0))
    width, height = scenario.tile_width_px, scenario.tile_height_px
    step = (width * (1.0 - scenario.overlap), height * (1.0 - scenario.overlap))
    if scenario.stage.by_hand:
        corners, there = positions_by_hand(rows, columns, (width, height), scenario.overlap, scenario.stage, rng)
        columns = there.shape[1]
    else:
        corners = stage_positions(rows, columns, step, scenario.stage, rng)
        there = np.ones((rows, columns), dtype=bool)
    missing = _choose_missing(there, scenario.missing, rng)
    written = there.copy()
    written[tuple(np.array(missing, dtype=int).reshape(-1, 2).T)] = False
    corners -= corners[written].min(axis=0)
    inside = _seen_by_all(corners, there, (width, height))
    room = (inside[2:] - inside[:2] - 2.0 * RIM_PX) * (um_x, um_y)
    lean = abs(math.sin(math.radians(rotation)))
    size = np.floor((room - lean * room[::-1]) * 10.0) / 10.0
    middle = 0.5 * (inside[:2] + inside[2:])
    die = plan_die(float(size[0]), float(size[1]), um_x, scenario.die, seed=seed)
    frame = Frame(um_x, um_y, rotation, (float(middle[0]), float(middle[1])), (0.5 * die.width_um, 0.5 * die.height_um))
    order = [(r, c) for r, c in _serpentine(rows, columns) if there[r, c]]
    light = exposures(len(order), scenario.camera, rng)
    names = _names(order, scenario, seed)
    stated: dict[tuple[int, int], tuple[float, float]] = {}
    if scenario.record is not None:
        places = recorded_positions(
            np.array([corners[r, c] for r, c in order]) * (um_x, um_y),
            scenario.record,
            np.random.default_rng([seed, 6]),
        )
        stated = {cell: (float(x), float(y)) for cell, (x, y) in zip(order, places, strict=True)}
    tiles = tuple(
        TrueTile(
            names[r, c],
            float(corners[r, c, 0]),
            float(corners[r, c, 1]),
            r,
            c,
            k,
            light[k].gain,
            light[k].defocus_px,
            stated.get((r, c)),
        )
        for k, (r, c) in enumerate(order)
        if written[r, c]
    )
    camera = scenario.camera
    if scenario.k1_size is not None:
        lens = np.random.default_rng([seed, 3])
        camera = changed(camera, k1=float(lens.choice([-1.0, 1.0]) * lens.uniform(*scenario.k1_size)))
    if scenario.tone_power is not None:
        camera = changed(camera, tone_power=float(np.random.default_rng([seed, 8]).uniform(*scenario.tone_power)))
    far = corners[written].max(axis=0) + np.array([width, height])
    pitch_true = scenario.pitch_um + scenario.pitch_u_um * float(rng.standard_normal())
    return Truth(
        seed,
        preset,
        scenario.title,
        math.ceil(far[0]),
        math.ceil(far[1]),
        width,
        height,
        rows,
        columns,
        scenario.overlap,
        frame,
        die,
        DieRaster(die, um_x / scenario.fine, scenario.fine),
        tiles,
        tuple(names[place] for place in missing),
        camera,
        scenario.stage,
        scenario.pitch_um,
        pitch_true,
        scenario.pitch_u_um,
        scenario.focus,
    )


def _serpentine(rows: int, columns: int) -> list[tuple[int, int]]:
    return [(r, c if r % 2 == 0 else columns - 1 - c) for r in range(rows) for c in range(columns)]


def _seen_by_all(corners: Float, there: npt.NDArray[np.bool_], size: tuple[int, int]) -> Float:
    """Left, top, right and bottom of what every row and every column of tiles covers."""
    rows, (left, right) = len(there), _ends(corners[..., 0], there)
    top, bottom = corners[0][there[0], 1].max(), corners[rows - 1][there[rows - 1], 1].min()
    return np.array([left, top, right + size[0], bottom + size[1]])


def _ends(x: Float, there: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """The largest of the rows' first corners and the smallest of their last."""
    lines = [line[row] for line, row in zip(x, there, strict=True)]
    return max(float(line[0]) for line in lines), min(float(line[-1]) for line in lines)


def _names(order: list[tuple[int, int]], scenario: Scenario, seed: int) -> dict[tuple[int, int], str]:
    suffix = scenario.picture_format
    if scenario.naming == "grid":
        return {(r, c): f"r{r:02d}_c{c:02d}.{suffix}" for r, c in order}
    numbers = np.arange(len(order))
    if scenario.naming == "shuffled":
        numbers = np.random.default_rng([seed, 4]).permutation(numbers)
    return {cell: f"IMG_{number + 1:04d}.{suffix}" for cell, number in zip(order, numbers, strict=True)}


def _choose_missing(there: npt.NDArray[np.bool_], count: int, rng: np.random.Generator) -> list[tuple[int, int]]:
    """Places without a picture, never at the rim, where a tile may be the only witness of an edge."""
    inner = [(r, c) for r in range(1, len(there) - 1) for c in range(1, int(there[r].sum()) - 1)]
    return [inner[k] for k in rng.permutation(len(inner))[:count]]


def make_phantom(
    out: Path | str,
    *,
    seed: int,
    preset: str = "ordinary",
    replace: bool = False,
    progress: Progress | None = None,
    **changes: object,
) -> Truth:
    """Write a phantom survey folder.

    Parameters
    ----------
    out : path
        Folder to make: tiles/, micrometer.png, blocks.geojson, survey.toml, truth.json.
    seed : int
        Decides everything that the preset leaves open; the same seed gives the same bytes.
    preset : str
        One of `dieplat.phantom.scenario.PRESETS`.
    replace : bool
        Whether a folder that holds something other than an earlier phantom may be written into.
    **changes
        Fields of `Scenario` that replace the preset's.

    Raises
    ------
    SettingsError
        If a setting cannot be used.
    OutputExistsError
        If `out` holds files that are not a phantom's.
    """
    scenario = scenario_for(preset, **changes)
    out = Path(out)
    _prepare(out, replace=replace)
    truth = plan_phantom(scenario, seed=seed, preset=preset)
    pictures = 1 if truth.focus is None else truth.focus.pictures
    total = len(truth.tiles) * pictures + 1 + int(scenario.turned)
    done = 0
    recorded = {tile.name: tile.recorded_um for tile in truth.tiles}
    for name, picture in _tiles(truth):
        path, position = out / "tiles" / name, recorded.get(name)
        if scenario.picture_format == "ome.tif":
            _write_tiff(path, picture, position, (truth.frame.um_per_px_x, truth.frame.um_per_px_y))
        else:
            _write_picture(path, picture, scenario.jpeg_quality)
        done += 1
        if progress is not None:
            progress(done, total)
    for name, turned in (("micrometer.png", False), ("micrometer_turned.png", True))[: 1 + int(scenario.turned)]:
        _write_picture(out / name, draw_micrometer(truth, scenario, turned=turned), scenario.jpeg_quality)
        done += 1
        if progress is not None:
            progress(done, total)
    write_json(out / "blocks.geojson", truth.blocks_document())
    write_bytes(out / "survey.toml", _survey_toml(truth, scenario).encode("utf-8"))
    write_json(out / "truth.json", truth.to_dict())
    return truth


def _prepare(out: Path, *, replace: bool) -> None:
    """Make the folder; tiles of an earlier phantom are removed so that no stranger stays in the set."""
    if out.exists() and not out.is_dir():
        raise OutputExistsError(f"{out}: is a file; give the name of a folder")
    if out.is_dir() and any(out.iterdir()) and not replace and not (out / "truth.json").is_file():
        raise OutputExistsError(f"{out}: holds files that are not a phantom's; choose another name or add --replace")
    tiles = out / "tiles"
    tiles.mkdir(parents=True, exist_ok=True)
    for old in tiles.iterdir():
        if old.suffix in (".jpg", ".png", ".tif") and (old.stem[:1] == "r" or old.stem.startswith("IMG_")):
            old.unlink()
    (out / "micrometer_turned.png").unlink(missing_ok=True)


def _tiles(truth: Truth) -> Iterator[tuple[str, npt.NDArray[np.uint8]]]:
    """Every picture with its name, row by row, so that only one row of the die is drawn at a time."""
    margin = MARGIN_PX if truth.focus is None else FOCUS_MARGIN_PX
    camera = truth.camera
    grid = undistorted(truth.tile_width_px, truth.tile_height_px, camera.k1, camera.k2, margin_px=margin)
    for row in range(truth.rows):
        members = [tile for tile in truth.tiles if tile.row == row]
        if not members:
            continue
        band = _band(truth, members, grid)
        for tile in members:
            exposure = Exposure(tile.gain, tile.defocus_px)
            rng = np.random.default_rng([truth.seed, 1000 + tile.order])
            if truth.focus is None:
                light = take_tile(truth.raster, truth.frame, (tile.x_px, tile.y_px), grid, band)
                yield tile.name, expose(light, exposure, camera, rng)
                continue
            stem, dot, suffix = tile.name.rpartition(".")
            for shot in shots(truth.focus, seed=truth.seed, order=tile.order):
                light = _take_shot(truth, truth.focus, tile, shot, grid, band)
                gain = (tile.gain[0] * shot.gain, tile.gain[1] * shot.gain, tile.gain[2] * shot.gain)
                yield f"{stem}_z{shot.number}{dot}{suffix}", expose(light, Exposure(gain, tile.defocus_px), camera, rng)


def _take_shot(
    truth: Truth,
    plan: FocusPlan,
    tile: TrueTile,
    shot: Shot,
    grid: tuple[Float, Float],
    band: tuple[int, int, npt.NDArray[np.float32]],
) -> npt.NDArray[np.float32]:
    """The light of one picture of a focus series, with MARGIN_PX around."""
    width, height = truth.tile_width_px, truth.tile_height_px
    seen = seen_from(grid, shot, width=width, height=height)
    corner = (tile.x_px, tile.y_px)
    light = take_tile(truth.raster, truth.frame, corner, seen, band)
    where = truth.frame.to_die(seen[0] + corner[0], seen[1] + corner[1])
    distance = np.abs(heights(plan, *seen, *where, width=width, height=height) - np.float32(shot.setting))
    return defocus(light, distance, plan)


def _band(truth: Truth, members: list[TrueTile], grid: tuple[Float, Float]) -> tuple[int, int, npt.NDArray[np.float32]]:
    """The part of the die that a row of tiles sees."""
    edge = [(gx, gy) for gx in (grid[0].min(), grid[0].max()) for gy in (grid[1].min(), grid[1].max())]
    x = np.array([tile.x_px + gx for tile in members for gx, _ in edge])
    y = np.array([tile.y_px + gy for tile in members for _, gy in edge])
    x_um, y_um = truth.frame.to_die(x, y)
    scale = truth.raster.um_per_px
    spare = 4 if truth.focus is None else 16
    top, left = math.floor(y_um.min() / scale) - spare, math.floor(x_um.min() / scale) - spare
    bottom, right = math.ceil(y_um.max() / scale) + spare, math.ceil(x_um.max() / scale) + spare
    return top, left, truth.raster.splines(top, left, bottom - top, right - left)


def draw_micrometer(truth: Truth, scenario: Scenario, *, turned: bool = False) -> npt.NDArray[np.uint8]:
    """The stage micrometer through the same optics, a little askew; `turned`: by 90 degrees more."""
    rng = np.random.default_rng([truth.seed, 5 + int(turned)])
    reach = 1.25 * math.hypot(truth.tile_width_px, truth.tile_height_px) * truth.frame.um_per_px_x
    plate = plan_ruler(
        reach,
        0.72 * reach if not turned else reach,
        truth.pitch_true_um,
        dirt=scenario.ruler_dirt,
        seed=truth.seed,
    )
    angle = scenario.ruler_rotation_deg * float(rng.uniform(-1.0, 1.0)) + (90.0 if turned else 0.0)
    centre = (
        0.5 * truth.tile_width_px + float(rng.uniform(-4.0, 4.0)),
        0.5 * truth.tile_height_px + float(rng.uniform(-12.0, 12.0)),
    )
    middle = (0.5 * plate.glass.width_um, 0.5 * plate.glass.height_um)
    frame = Frame(truth.frame.um_per_px_x, truth.frame.um_per_px_y, angle, centre, middle)
    grid = undistorted(truth.tile_width_px, truth.tile_height_px, truth.camera.k1, truth.camera.k2)
    at = frame.to_die(*grid)
    light = look(changed(truth.raster, die=plate.glass), *at)
    light *= plate.shade(*at, truth.um_per_px)[..., None].astype(np.float32)
    blur = 0.5 * (scenario.camera.defocus_px[0] + scenario.camera.defocus_px[1])
    return expose(light, Exposure((1.0, 1.0, 1.0), blur), truth.camera, rng)


def _write_picture(path: Path, picture: npt.NDArray[np.uint8], quality: int) -> None:
    options = [cv2.IMWRITE_JPEG_QUALITY, quality] if path.suffix == ".jpg" else [cv2.IMWRITE_PNG_COMPRESSION, 4]
    done, data = cv2.imencode(path.suffix, cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), options)
    if not done:
        raise OSError(f"{path}: the picture could not be encoded")
    write_bytes(path, data.tobytes())


def _write_tiff(
    path: Path,
    picture: npt.NDArray[np.uint8],
    position_um: tuple[float, float] | None,
    um_per_px: tuple[float, float],
) -> None:
    words = description(position_um, um_per_px, (picture.shape[0], picture.shape[1])) if position_um else None
    data = io.BytesIO()
    with tifffile.TiffWriter(data) as tiff:
        tiff.write(
            picture,
            photometric="rgb",
            compression="zlib",
            predictor=True,
            description=words,
            metadata=None,
            software=False,
        )
    write_bytes(path, data.getvalue())


def _survey_toml(truth: Truth, scenario: Scenario) -> str:
    lines = [
        f'title = "{truth.title.replace(chr(34), chr(92) + chr(34))}"',
        'tiles = "tiles"',
        'micrometer = "micrometer.png"',
        *(['micrometer_turned = "micrometer_turned.png"'] if scenario.turned else []),
        f"pitch_um = {truth.pitch_um!r}",
        f"pitch_u_um = {truth.pitch_u_um!r}",
        'blocks = "blocks.geojson"',
        f"frequency_hz = {scenario.frequency_hz!r}",
        f"thickness_um = {scenario.thickness_um!r}",
    ]
    return "\n".join(lines) + "\n"
