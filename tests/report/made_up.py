"""An output folder made up for the tests of the report: a drawn mosaic and JSON files that fit it."""

from __future__ import annotations

import json
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.files import write_json
from dieplat.inductance import describe_inductor, given_geometry
from dieplat.measurement.technology import candidates
from dieplat.mosaicfile.write import write_mosaic

UM_PER_PX = 0.5


def drawn_die(width: int = 1200, height: int = 900) -> npt.NDArray[np.uint8]:
    """A plain picture of an imaginary chip: a ground, a memory lattice, a coil and pads."""
    rng = np.random.default_rng(7)
    picture = np.full((height, width, 3), (120, 105, 96), np.uint8)
    picture[40:-40, 40:-40] = (88, 110, 122)
    picture[120:420:10, 140:560] = (160, 170, 150)
    picture[120:420, 140:560:14] = (60, 80, 92)
    for ring in range(4):
        cv2.circle(picture, (820, 260), 60 + 22 * ring, (226, 196, 120), 9, cv2.LINE_AA)
    for index in range(9):
        cv2.rectangle(picture, (110 + index * 108, 790), (160 + index * 108, 840), (214, 208, 190), -1)
    noise = rng.normal(0, 5, picture.shape)
    return np.clip(picture + noise, 0, 255).astype(np.uint8)


def feature(name: str, kind: str, points: list[list[float]]) -> dict[str, Any]:
    """A GeoJSON feature: a polygon, or a path for traces and conductors."""
    if kind in ("trace", "conductor"):
        geometry: dict[str, Any] = {"type": "LineString", "coordinates": points}
    else:
        geometry = {"type": "Polygon", "coordinates": [[*points, points[0]]]}
    return {"type": "Feature", "properties": {"name": name, "kind": kind}, "geometry": geometry}


def rectangle(x0: float, y0: float, x1: float, y1: float) -> list[list[float]]:
    """Corners in order."""
    return [[x0, y0], [x1, y0], [x1, y1], [x0, y1]]


def blocks_document() -> dict[str, Any]:
    """One of everything, with a name that needs escaping."""
    features = [
        feature("Die", "die", rectangle(40, 40, 1160, 860)),
        feature("Main memory", "memory_array", rectangle(140, 120, 560, 420)),
        feature("Synthesizer <coil> & more", "rf_inductor", rectangle(680, 120, 960, 400)),
        feature("Core logic", "logic", rectangle(140, 470, 700, 740)),
        feature("Receiver", "analog", rectangle(740, 470, 1100, 620)),
        feature("Regulator", "power", rectangle(740, 650, 1100, 740)),
        feature("Antenna feed", "trace", [[1000, 60], [1000, 380], [1120, 380]]),
    ]
    features += [feature(f"PAD{i + 1}", "io_pad", rectangle(110 + i * 108, 790, 160 + i * 108, 840)) for i in range(9)]
    return {"type": "FeatureCollection", "coordinates_in": "mosaic_px", "features": features}


def area_of(points: list[list[float]]) -> float:
    """Area of a rectangle of `rectangle`, in µm²."""
    return (points[1][0] - points[0][0]) * (points[2][1] - points[1][1]) * UM_PER_PX**2


def measurements_document(document: dict[str, Any]) -> dict[str, Any]:
    """Measurements that follow from the blocks, in the form of measurements.json."""
    die_um2 = area_of(rectangle(40, 40, 1160, 860))
    blocks, sums = [], {}
    for item in document["features"]:
        kind, name = item["properties"]["kind"], item["properties"]["name"]
        block: dict[str, Any] = {"name": name, "kind": kind, "inductor": None, "array": None, "trace": None}
        if kind == "die":
            continue
        if kind == "trace":
            block |= {"area_um2": None, "area_um2_u": None, "perimeter_um": None, "share_of_die": None}
            block["trace"] = {
                "length_um": 220.0,
                "length_um_u": 0.6,
                "frequency_hz": 2.44175e9,
                "quarter_wave_um": 30694.4,
                "velocity_factor": 1.0,
                "shortening_factor": 1.0,
                "ratio_to_quarter_wave": 220.0 / 30694.4,
                "assumption": "Free space; nothing is known of what surrounds it.",
            }
        else:
            area = area_of(item["geometry"]["coordinates"][0])
            block |= {"area_um2": area, "area_um2_u": area * 0.004, "share_of_die": area / die_um2}
            block["perimeter_um"] = 4 * area**0.5
            count, total = sums.get(kind, (0, 0.0))
            sums[kind] = (count + 1, total + area)
        if kind == "memory_array":
            block["array"] = {
                "pitch_x_um": 7.0,
                "pitch_x_um_u": 0.01,
                "pitch_y_um": 5.0,
                "pitch_y_um_u": 0.01,
                "cell_area_um2": 35.0,
                "columns": 30,
                "rows": 30,
                "cells": 900,
                "banks": 1,
                "rotation_deg": 0.0,
                "bank_list": [{"bounds_px": [140, 120, 560, 420], "columns": 30, "rows": 30}],
                "remarks": ["the cells stand out from noise only weakly"],
                "efficiency": 0.9876,
                "efficiency_u": 0.0021,
                "bits_per_cell": 1,
                "capacity_bits": 900,
                "capacity_bits_u": 0.0,
                "gaps": [
                    {"axis": "x", "width_um": 14.0, "width_um_u": 2.0, "pitches": 2.0, "count": 1},
                    {"axis": "y", "width_um": 10.0, "width_um_u": 2.0, "pitches": 2.0, "count": 1},
                ],
                "technology": [asdict(item) for item in candidates(35.0, 0.1, pitch_um=(7.0, 5.0))],
                "technology_assumes": ["the kind of memory is not known; every kind that fits is listed"],
                "explanations": ["All cells lie in one bank."],
            }
        if kind == "rf_inductor":
            block["inductor"] = {
                "shape": "circle",
                "turns": 4.0,
                "turns_u": None,
                "outer_um": 130.5,
                "outer_um_u": 0.4,
                "inner_um": 55.5,
                "inner_um_u": 0.4,
                "width_um": 4.5,
                "width_um_u": 0.2,
                "spacing_um": 6.5,
                "spacing_um_u": 0.2,
                "method": "image",
                "inductance_nh": 2.0,
                "inductance_nh_u": 0.06,
                "estimates": {
                    "segment_sum": 2.0,
                    "current_sheet": 2.04,
                    "modified_wheeler": 1.97,
                    "monomial": None,
                },
                "capacitance_at_pf": 2.12426,
                "frequency_hz": 2.44175e9,
                "thickness_um": 2.0,
                "budget": [{"name": "model", "u": 0.05, "unit": "nH"}],
                "assumptions": ["Metal thickness 2.0 µm."],
                "remarks": [],
                "why_best": "The segment sum is the best estimate: it follows the conductor.",
                "explanations": ["Symmetric winding: the conductor changes rings."],
                "electrical": coil_figures(),
            }
        blocks.append(block)
    assigned = sum(total for _, total in sums.values())
    return {
        "scale": scale_document(),
        "die": {
            "area_um2": die_um2,
            "area_um2_u": die_um2 * 0.003,
            "width_um": 560.0,
            "width_um_u": 0.8,
            "height_um": 410.0,
            "height_um_u": 0.6,
        },
        "blocks": blocks,
        "summary": [
            {"kind": k, "count": n, "area_um2": a, "area_um2_u": a * 0.004, "share_of_die": a / die_um2}
            for k, (n, a) in sums.items()
        ],
        "unassigned_um2": die_um2 - assigned,
        "warnings": ["Receiver: touches Core logic."],
        "assumptions": ["Edges were placed to half a pixel."],
    }


@cache
def coil_figures() -> dict[str, Any]:
    """Electrical figures of a coil much like the one drawn."""
    coil = given_geometry("square", 4, 130, 4.5, 6.5)
    electrical = describe_inductor(coil, frequency_hz=2.44175e9).electrical
    assert electrical is not None
    return electrical.to_dict()


def scale_document() -> dict[str, Any]:
    """A scale with a budget."""
    return {
        "um_per_px_x": UM_PER_PX,
        "um_per_px_x_u": 0.0004,
        "um_per_px_y": UM_PER_PX,
        "um_per_px_y_u": 0.0004,
        "pitch_um": 10.0,
        "pitch_um_u": 0.005,
        "lines_used": 41,
        "rotation_deg": 0.31,
        "source": "micrometer.png",
        "axes_independent": False,
        "budget": [
            {"name": "lines", "u": 0.00003, "unit": "µm/px", "kind": "A", "note": "scatter of 41 lines"},
            {"name": "ruling", "u": 0.00025, "unit": "µm/px", "kind": "B", "note": "as stated"},
        ],
    }


def layout_document() -> dict[str, Any]:
    """Twelve tiles; one is ambiguous and one placed by the stage."""
    tiles, pairs = [], []
    for row in range(3):
        for column in range(4):
            name = f"r{row}_c{column}.png"
            u_px = 0.04 * (1 + row + column)
            tiles.append(
                {
                    "name": name,
                    "x_px": column * 280.0 + row,
                    "y_px": row * 280.0 + column,
                    "x_px_u": u_px,
                    "y_px_u": u_px / 2,
                    "placed_by": "stage" if (row, column) == (0, 3) else "overlap",
                    "ambiguous": (row, column) == (1, 1),
                    "alternatives": [[294.0, 281.0]] if (row, column) == (1, 1) else [],
                }
            )
            link = {"dx_px": 280.0, "dy_px": 0.0, "residual_px": 0.2, "used": column != 2}
            if column:
                pairs.append({"a": f"r{row}_c{column - 1}.png", "b": name, **link})
    return {
        "width_px": 1200,
        "height_px": 900,
        "tile_width_px": 350,
        "tile_height_px": 330,
        "tiles": tiles,
        "pairs": pairs,
        "skipped": [{"name": "notes.txt", "reason": "not a picture"}],
        "rms_residual_px": 0.21,
        "lens": None,
    }


def make_folder(folder: Path, *, bare: bool = False) -> Path:
    """Write the folder; `bare` leaves out the layout, the blocks and the die."""
    folder.mkdir(parents=True, exist_ok=True)
    picture = drawn_die()
    high, wide = picture.shape[:2]
    write_mosaic(
        folder / "mosaic.ome.tif",
        iter([picture]),
        width_px=wide,
        height_px=high,
        channels=3,
        dtype="uint8",
        um_per_px=(UM_PER_PX, UM_PER_PX),
    )
    document = blocks_document()
    measurements = measurements_document(document)
    if bare:
        measurements |= {"die": None, "blocks": [], "summary": [], "unassigned_um2": None, "warnings": []}
    else:
        (folder / "blocks.geojson").write_text(json.dumps(document), encoding="utf-8")
        write_json(folder / "layout.json", layout_document())
        write_json(folder / "scale.json", scale_document())
        state = {"title": "The invented Marmot M1", "inputs": {"tiles/r0_c0.png": "0" * 64}, "stages": {}}
        write_json(folder / "survey_state.json", state)
    write_json(folder / "measurements.json", measurements)
    return folder
