"""The whole job: check every input, then stitch, measure, draw and report; what is still valid is kept.

    micrometer.*   measure_scale --> scale.json ------------------+
                         |                                         |
    tiles/         build_mosaic ---> mosaic.ome.tif, layout.json --+
                                                                   |
    blocks.geojson ------------------------------------------------+
                                                                   v
                   measure_survey -> measurements.json, measurements.csv
                   write_preview, write_report -> preview.png, report.html

survey_state.json holds, for each stage, a digest of all that went in and of what came out. A stage runs again
when either differs; so an evening that was interrupted goes on where it stopped. Within the stitching,
stitch_cache.sqlite does the same for single tiles and pairs of tiles.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dieplat import __version__
from dieplat.annotations import check_inside, load_regions
from dieplat.calibration import load_scale, measure_scale, save_scale
from dieplat.errors import OutputExistsError, ScaleError, SettingsError
from dieplat.files import MARK, check_replaceable, sha256_of, to_plain, write_bytes, write_json
from dieplat.mosaicfile.read import open_mosaic
from dieplat.output.layouts import load_layout
from dieplat.output.tables import write_measurements
from dieplat.report import folder as names
from dieplat.report import write_preview, write_report
from dieplat.settings import SETTINGS_NAME, SurveySettings
from dieplat.survey import measure_survey
from dieplat.tiles.discover import discover_tiles
from dieplat.tiles.read import read_picture
from dieplat.values import Regions, Scale, TileSet
from dieplat.work import Progress, map_in_order
from dieplat.workflow import CACHE_NAME, build_mosaic, load_ties

Bars = Callable[[str], Progress]
"""Gives the progress callable of a stage by its name."""

OUTPUTS = (
    names.MOSAIC,
    names.LAYOUT,
    names.SCALE,
    names.MEASUREMENTS,
    names.TABLE,
    names.BLOCKS,
    names.PREVIEW,
    names.REPORT,
    names.STATE,
    CACHE_NAME,
)


@dataclass(frozen=True, slots=True, eq=False)
class SurveyResult:
    """What a survey made: its folder, its JSON documents, and the stages that did not have to run again."""

    folder: Path
    title: str
    layout: Mapping[str, Any]
    measurements: Mapping[str, Any]
    reused: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain values: the measurements, and the survey's own facts beside them."""
        tiles = self.layout["tiles"]
        return {
            "title": self.title,
            "out": str(self.folder),
            "reused_stages": list(self.reused),
            "tiles": {
                "placed": len(tiles),
                "ambiguous": [tile["name"] for tile in tiles if tile["ambiguous"]],
                "placed_by_stage": [tile["name"] for tile in tiles if tile["placed_by"] == "stage"],
                "skipped": self.layout["skipped"],
                "rms_residual_px": self.layout["rms_residual_px"],
            },
            **self.measurements,
        }


def run_survey(
    settings: SurveySettings,
    out: Path,
    *,
    replace: bool = False,
    executor: Executor | None = None,
    progress: Bars | None = None,
) -> SurveyResult:
    """Do the whole job and leave its files in `out`.

    All inputs are read and checked, and the scale is measured, before anything is written. That a block lies
    outside the mosaic shows only when the mosaic is made; then the mosaic and its layout stay.

    Parameters
    ----------
    settings : SurveySettings
        See `dieplat.settings.load_settings`.
    out : Path
        Output folder; made if missing. It may not be the survey's own folder.
    replace : bool, optional
        Whether files that this survey did not write may be replaced.
    executor, progress : optional
        Workers, and the bars of "reading", "stitching", and so on.

    Raises
    ------
    DieplatError
        Any of its leaves, each naming the file at fault.
    """
    if out.resolve() == settings.folder.resolve():
        raise SettingsError(f"{out}: is the survey's own folder; give another folder to --out")
    if out.exists() and not out.is_dir():
        raise OutputExistsError(f"{out}: is a file; give the name of a folder to --out")
    state = _State.read(out)
    if out.exists():
        _check_outputs(out, state, replace=replace)
    tile_set = discover_tiles(
        settings.tiles, columns=settings.columns, executor=executor, progress=_bar(progress, "looking")
    )
    if settings.ties is not None:
        load_ties(settings.ties, tile_set)
    scale = _measure_scale(settings)
    regions = load_regions(settings.blocks, um_per_px=(scale.um_per_px_x, scale.um_per_px_y))
    inputs = _digest_inputs(settings, tile_set, executor, _bar(progress, "checking"))

    made_folder = not out.exists()
    out.mkdir(parents=True, exist_ok=True)
    state.begin(settings, inputs)
    try:
        _run_stages(settings, out, state, inputs, tile_set, scale, regions, replace, executor, progress)
        state.finish()
    except BaseException:
        if made_folder and not any(out.iterdir()):
            out.rmdir()
        raise
    layout, measurements = names.read_object(out / names.LAYOUT), names.read_object(out / names.MEASUREMENTS)
    return SurveyResult(out, settings.title, layout or {}, measurements or {}, tuple(state.reused))


def _run_stages(
    settings: SurveySettings,
    out: Path,
    state: _State,
    inputs: Mapping[str, str],
    tile_set: TileSet,
    scale: Scale,
    regions: Regions,
    replace: bool,
    executor: Executor | None,
    progress: Bars | None,
) -> None:
    um_per_px = (scale.um_per_px_x, scale.um_per_px_y)
    tiles = [inputs[_key(settings, path)] for tile in tile_set.tiles for path in tile.pictures]
    ties = None if settings.ties is None else inputs[_key(settings, settings.ties)]
    skipped = [item.name for item in tile_set.skipped]
    state.stage(
        "stitch",
        [tiles, skipped, um_per_px, settings.columns, settings.overlap, ties],
        [names.MOSAIC, names.LAYOUT],
        lambda: build_mosaic(
            settings.tiles,
            out / names.MOSAIC,
            um_per_px=um_per_px,
            columns=settings.columns,
            overlap=settings.overlap,
            ties=settings.ties,
            replace_foreign=replace,
            cache=out / CACHE_NAME,
            executor=executor,
            progress=progress,
        ),
    )
    # Only now is the mosaic's size known; a block outside it ends the survey before anything else is written.
    layout = load_layout(out / names.LAYOUT)
    check_inside(regions, layout.width_px, layout.height_px)
    pictures = [inputs[name] for name in _micrometers(settings)]
    state.stage(
        "scale",
        [pictures, settings.pitch_um, settings.pitch_u_um],
        [names.SCALE],
        lambda: save_scale(out / names.SCALE, scale),
    )
    state.stage(
        "blocks",
        [inputs[_key(settings, settings.blocks)]],
        [names.BLOCKS],
        lambda: write_bytes(out / names.BLOCKS, settings.blocks.read_bytes()),
    )
    state.stage(
        "measure",
        [
            state.outputs("stitch", "scale", "blocks"),
            settings.stated.to_dict(),
        ],
        [names.MEASUREMENTS, names.TABLE],
        lambda: _measure(settings, out, _bar(progress, "measuring")),
    )
    made = state.outputs("stitch", "scale", "blocks", "measure")
    state.stage("preview", [made, settings.title], [names.PREVIEW], lambda: write_preview(out))
    state.stage("report", [made, settings.title, inputs], [names.REPORT], lambda: write_report(out))


def _measure(settings: SurveySettings, out: Path, progress: Progress | None) -> None:
    scale = load_scale(out / names.SCALE)
    regions = load_regions(out / names.BLOCKS, um_per_px=(scale.um_per_px_x, scale.um_per_px_y))
    with open_mosaic(out / names.MOSAIC) as mosaic:
        measured = measure_survey(
            mosaic,
            regions,
            scale,
            stated=settings.stated,
            layout=load_layout(out / names.LAYOUT),
            progress=progress,
        )
    write_measurements(measured, out / names.MEASUREMENTS)


def _measure_scale(settings: SurveySettings) -> Scale:
    """Measure the scale now, so that an unusable ruling is known before the long work."""
    turned = None if settings.micrometer_turned is None else read_picture(settings.micrometer_turned)
    try:
        return measure_scale(
            read_picture(settings.micrometer),
            pitch_um=settings.pitch_um,
            pitch_um_u=settings.pitch_u_um,
            turned=turned,
            source=" and ".join(_micrometers(settings)),
            names=tuple(str(path) for path in _micrometer_paths(settings)),
        )
    except ScaleError as error:
        raise ScaleError(f"{settings.micrometer}: {error}; see pitch_um and pitch_u_um in {SETTINGS_NAME}") from None


def _check_outputs(out: Path, state: _State, *, replace: bool) -> None:
    for name in OUTPUTS:
        path = out / name
        if name != names.BLOCKS:
            check_replaceable(path, replace=replace)
        elif path.exists() and not replace and sha256_of(path) != state.digest_of(name):
            # Work drawn on the copy would be lost without this.
            raise OutputExistsError(
                f"{path}: was not written by this survey or has changed since; keep a copy of it, then add --replace"
            )


def _micrometer_paths(settings: SurveySettings) -> list[Path]:
    return [path for path in (settings.micrometer, settings.micrometer_turned) if path is not None]


def _micrometers(settings: SurveySettings) -> list[str]:
    return [_key(settings, path) for path in _micrometer_paths(settings)]


def _key(settings: SurveySettings, path: Path) -> str:
    """A path as the report shows it: relative to the survey's folder where it lies inside."""
    try:
        return path.resolve().relative_to(settings.folder.resolve()).as_posix()
    except ValueError:
        return path.name


def _digest_inputs(
    settings: SurveySettings, tile_set: TileSet, executor: Executor | None, progress: Progress | None
) -> dict[str, str]:
    toml = settings.folder / SETTINGS_NAME
    single = (settings.micrometer, settings.micrometer_turned, settings.blocks, settings.ties, toml)
    paths = [path for path in single if path is not None and path.is_file()]
    paths += [path for tile in tile_set.tiles for path in tile.pictures]
    digests = map_in_order(sha256_of, paths, executor=executor, total=len(paths), progress=progress)
    return {_key(settings, path): digest for path, digest in zip(paths, digests, strict=True)}


def _bar(progress: Bars | None, title: str) -> Progress | None:
    return None if progress is None else progress(title)


class _State:
    """survey_state.json: which stage made which file from what."""

    def __init__(self, folder: Path, document: Mapping[str, Any]) -> None:
        self._folder = folder
        self._found = {key: value for key, value in document.items() if key != MARK}
        self._stages = _whole_stages(document.get("stages"))
        self._head: dict[str, Any] = {}
        self.reused: list[str] = []

    @classmethod
    def read(cls, folder: Path) -> _State:
        """The state of an earlier run; a missing or damaged file means that nothing is known."""
        try:
            document = json.loads((folder / names.STATE).read_text(encoding="utf-8"))
            json.dumps(document, ensure_ascii=False).encode("utf-8")  # half a character could not be written again
        except (OSError, ValueError, RecursionError):
            document = {}
        return cls(folder, document if isinstance(document, dict) else {})

    def begin(self, settings: SurveySettings, inputs: Mapping[str, str]) -> None:
        """Note what the survey is about."""
        self._head = {
            "title": settings.title,
            "version": __version__,
            "stated": settings.stated.to_dict(),
            "inputs": dict(inputs),
        }

    def digest_of(self, name: str) -> str | None:
        """The digest that an output had when it was written, None if that is not known."""
        for stage in self._stages.values():
            if name in stage["outputs"]:
                return str(stage["outputs"][name])
        return None

    def outputs(self, *stages: str) -> dict[str, str]:
        """Digests of all that the stages wrote."""
        return {name: digest for stage in stages for name, digest in self._stages[stage]["outputs"].items()}

    def stage(self, name: str, inputs: Iterable[Any], outputs: Iterable[str], run: Callable[[], object]) -> None:
        """Run a stage unless it ran before on the same inputs and its outputs are untouched."""
        text = json.dumps([__version__, to_plain(list(inputs))], sort_keys=True)
        digest = hashlib.sha256(text.encode("utf-8")).hexdigest()
        known = self._stages.get(name)
        paths = {output: self._folder / output for output in outputs}
        if known is not None and known["inputs"] == digest and known["outputs"] == _digests(paths):
            self.reused.append(name)
            return
        if self._stages.pop(name, None) is not None:
            self._save()
        run()
        self._stages[name] = {"inputs": digest, "outputs": _digests(paths)}
        self._save()

    def finish(self) -> None:
        """Write down what the survey is about, should the file say otherwise."""
        if to_plain({**self._head, "stages": self._stages}) != self._found:
            self._save()

    def _save(self) -> None:
        # In an order that does not tell which stages ran anew, so that reruns leave the same bytes.
        self._found = to_plain({**self._head, "stages": dict(sorted(self._stages.items()))})
        write_json(self._folder / names.STATE, self._found)


def _whole_stages(stages: object) -> dict[str, dict[str, Any]]:
    """The stages that are written down as they should be; of others nothing is known."""
    if not isinstance(stages, dict):
        return {}
    return {
        str(name): stage
        for name, stage in stages.items()
        if isinstance(stage, dict) and isinstance(stage.get("outputs"), dict) and isinstance(stage.get("inputs"), str)
    }


def _digests(paths: Mapping[str, Path]) -> dict[str, str | None]:
    return {name: sha256_of(path) if path.is_file() else None for name, path in paths.items()}
