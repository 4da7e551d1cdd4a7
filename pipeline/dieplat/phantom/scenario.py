"""Named presets: which die, which stage, which camera."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from dieplat.errors import SettingsError
from dieplat.phantom.camera import CameraPlan, StagePlan
from dieplat.phantom.die import DiePlan
from dieplat.phantom.focus import FocusPlan
from dieplat.phantom.record import RecordPlan


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything but the seed. Ranges are drawn from evenly by the seed; None means that the seed decides."""

    title: str = "Invented test die"
    rows: int | None = None
    columns: int | None = None
    tile_width_px: int = 800
    tile_height_px: int = 600
    overlap: float = 0.2
    um_per_px: tuple[float, float] = (0.46, 0.60)
    um_per_px_ratio_y: float = 1.0
    rotation_deg: float = 0.5
    """Largest angle of the die against the camera."""
    die: DiePlan = field(default_factory=DiePlan)
    camera: CameraPlan = field(default_factory=CameraPlan)
    stage: StagePlan = field(default_factory=StagePlan)
    k1_size: tuple[float, float] | None = None
    """If given, the lens's k1 is drawn: size from this range, either sign. None: the camera's own k1."""
    tone_power: tuple[float, float] | None = None
    """If given, the power of the camera's tone curve is drawn from this range. None: the camera's own."""
    pitch_um: float = 10.0
    pitch_u_um: float = 0.002
    ruler_rotation_deg: float = 0.8
    ruler_dirt: float = 0.6
    turned: bool = False
    naming: str = "grid"
    """"grid" (r00_c00), "order" (IMG_0001 in serpentine order of capture) or "shuffled" (in no order at all)."""
    picture_format: str = "jpg"
    record: RecordPlan | None = None
    """If given, pictures are OME-TIFF files with the stage's position as its controller has it."""
    jpeg_quality: int = 92
    missing: int = 0
    focus: FocusPlan | None = None
    """If given, every field is taken several times at different focus settings (r00_c00_z1, ...)."""
    frequency_hz: float = 5.8e9
    thickness_um: float = 2.8
    fine: int = 1
    """Points of the die's raster along a pixel: more draw without beats what is finer than a pixel, and take longer."""


_PLAIN_CAMERA = CameraPlan(
    vignetting=0.0, exposure_drift=0.0, white_balance_drift=0.0, noise=1.0 / 255.0, defocus_px=(0.0, 0.0)
)

PRESETS: dict[str, Scenario] = {
    "ordinary": Scenario(),
    "sharp": Scenario(camera=_PLAIN_CAMERA, picture_format="png", pitch_u_um=0.0, ruler_dirt=0.0, rows=3, columns=4),
    "memory": Scenario(
        rows=4,
        columns=5,
        die=DiePlan(
            order=(("memory_plane", 0.9), ("logic", 0.1)),
            dirt=0.12,
            texture=0.15,
            antenna=False,
            straps=False,
        ),
    ),
    "blank": Scenario(
        rows=4,
        columns=5,
        die=DiePlan(order=(("blank", 0.8), ("logic", 0.2)), dirt=0.0, texture=0.0, antenna=False, fill=0.0),
    ),
    "lens": Scenario(k1_size=(0.008, 0.02)),
    "tone": Scenario(tone_power=(1.0 / 2.4, 1.0)),
    "shaded": Scenario(camera=CameraPlan(vignetting=0.35, exposure_drift=0.20, white_balance_drift=0.06)),
    "order": Scenario(naming="order"),
    "missing": Scenario(missing=2),
    "shuffled": Scenario(naming="shuffled", rows=5, columns=6, tile_width_px=480, tile_height_px=360),
    "hand": Scenario(
        naming="shuffled",
        rows=4,
        columns=5,
        overlap=0.3,
        missing=1,
        stage=StagePlan(by_hand=0.15),
    ),
    "positions": Scenario(
        naming="shuffled",
        rows=4,
        columns=5,
        picture_format="ome.tif",
        record=RecordPlan(scale=1.01, flip_x=True, swap=True, wild=1),
    ),
    "focus": Scenario(rows=2, columns=3, focus=FocusPlan()),
    "stretched": Scenario(um_per_px_ratio_y=1.012, turned=True),
    "lantern": Scenario(
        title='Halvorsen & Quill HQ-2471 "Lantern": opened die, top metal',
        rows=5,
        columns=6,
        tile_width_px=1200,
        tile_height_px=900,
        um_per_px=(0.44, 0.48),
        naming="order",
        jpeg_quality=93,
        die=DiePlan(
            order=(("memory", 0.34), ("logic", 0.30), ("rf", 0.36)),
            label="HALVORSEN & QUILL  HQ-2471A",
        ),
        camera=CameraPlan(vignetting=0.20, exposure_drift=0.07, defocus_px=(0.4, 0.9)),
        stage=StagePlan(error_px=5.0, backlash_px=7.0, rotation_deg=0.31),
    ),
    "radio": Scenario(die=DiePlan(order=(("rf", 0.6), ("logic", 0.4)))),
}


def scenario_for(preset: str, **changes: object) -> Scenario:
    """The preset with `changes`; None leaves a field as it is.

    Raises
    ------
    SettingsError
        If the preset or a value is not one that can be used.
    """
    if preset not in PRESETS:
        raise SettingsError(f"preset {preset!r}: not known; choose one of {', '.join(PRESETS)}")
    scenario = replace(PRESETS[preset], **{k: v for k, v in changes.items() if v is not None})  # type: ignore[arg-type]
    _check(scenario)
    return scenario


def _check(scenario: Scenario) -> None:
    for name in ("rows", "columns"):
        value = getattr(scenario, name)
        if value is not None and not 2 <= value <= 60:
            raise SettingsError(f"{name} {value}: must lie between 2 and 60")
    if not 1 <= scenario.fine <= 12:
        raise SettingsError(f"fine {scenario.fine}: must lie between 1 and 12")
    if not 0.05 <= scenario.overlap <= 0.5:
        raise SettingsError(f"overlap {scenario.overlap:g}: must lie between 0.05 and 0.5")
    if not (240 <= scenario.tile_width_px <= 4096 and 200 <= scenario.tile_height_px <= 4096):
        raise SettingsError(
            f"tile {scenario.tile_width_px} x {scenario.tile_height_px} px: must lie between 240 x 200 and 4096 x 4096"
        )
    if scenario.naming not in ("grid", "order", "shuffled"):
        raise SettingsError(f"naming {scenario.naming!r}: choose grid, order or shuffled")
    if scenario.picture_format not in ("jpg", "png", "ome.tif"):
        raise SettingsError(f"format {scenario.picture_format!r}: choose jpg, png or ome.tif")
    if scenario.tone_power is not None and not 0.2 <= scenario.tone_power[0] <= scenario.tone_power[1] <= 1.0:
        raise SettingsError(f"tone_power {scenario.tone_power}: give two powers between 0.2 and 1, the smaller first")
    if scenario.record is not None and (scenario.picture_format != "ome.tif" or scenario.focus is not None):
        raise SettingsError("positions of the stage are kept in OME-TIFF only, one picture a field: choose ome.tif")
