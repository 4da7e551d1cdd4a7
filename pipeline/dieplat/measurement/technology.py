"""Which technologies a memory cell's area is consistent with, by published cells; never one alone, never a claim.

Two kinds of published knowledge (data/cell_areas.csv, data/cell_rules.csv; every line names its source and whether it
was read there or is from memory): areas of particular cells by node, and areas in F^2, the square of the smallest
feature. A node fits if the measured area lies within twice the combined uncertainty of the node's published areas:
their scatter, pooled over all nodes of that kind with several cells, and that of the measurement.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np

from dieplat.errors import SettingsError

SHORTEST_UM = 0.306
"""Shortest period that visible light transmits: lambda / (2 NA) with 550 nm and NA 0.9 (E. Abbe, 1873; from memory)."""
LEAST_FEATURE_NM, GREATEST_FEATURE_NM = 45.0, 3000.0
"""Below the first a node's name is no longer a size on the chip; above the second our sources know no cells."""
SPREAD_WITHOUT = 0.15
"""Relative standard deviation of published areas of a kind for which too few are known (choice of ours)."""
COVERAGE = 2.0


@dataclass(frozen=True, slots=True)
class PublishedCell:
    """One line of data/cell_areas.csv."""

    kind: str
    node_nm: float
    area_um2: float
    mark: str
    source: str
    note: str


@dataclass(frozen=True, slots=True)
class CellRule:
    """One line of data/cell_rules.csv: a cell takes `low_f2` to `high_f2` squares of the feature size."""

    kind: str
    low_f2: float
    high_f2: float
    mark: str
    source: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """A technology that fits: nodes `node_low_nm` to `node_high_nm` for one kind of memory, and what that assumes."""

    kind: str
    node_low_nm: float
    node_high_nm: float
    basis: str
    sources: tuple[str, ...]
    from_memory: bool


@lru_cache(maxsize=1)
def published_cells() -> tuple[PublishedCell, ...]:
    """All published cells."""
    return tuple(
        PublishedCell(
            line["kind"], float(line["node_nm"]), float(line["area_um2"]), line["mark"], line["source"], line["note"]
        )
        for line in _lines("cell_areas.csv")
    )


@lru_cache(maxsize=1)
def cell_rules() -> tuple[CellRule, ...]:
    """All areas in squares of the feature size."""
    return tuple(
        CellRule(line["kind"], float(line["low_f2"]), float(line["high_f2"]), line["mark"], line["source"])
        for line in _lines("cell_rules.csv")
    )


def memory_kinds() -> tuple[str, ...]:
    """The kinds of memory that something is known of."""
    names = [cell.kind for cell in published_cells()] + [rule.kind for rule in cell_rules()]
    return tuple(dict.fromkeys(names))


def check_kind(kind: str) -> str:
    """A known kind, or the group that a name stands for ("SRAM", "DRAM", "flash", ...).

    Raises
    ------
    SettingsError
        If nothing is known of it.
    """
    if not _of_kind(memory_kinds(), kind):
        raise SettingsError(f"memory_kind '{kind}' is not known; use one of {', '.join(memory_kinds())}")
    return kind


def candidates(
    area_um2: float, area_um2_u: float, *, pitch_um: tuple[float, float], kind: str | None = None
) -> tuple[Candidate, ...]:
    """Technologies that a cell's area is consistent with.

    Parameters
    ----------
    area_um2, area_um2_u : float
        The cell's area and its standard uncertainty (NaN counts as none).
    pitch_um : tuple of float
        The cell's pitches. If one is below `SHORTEST_UM`, no light shows such cells, and nothing is said.
    kind : str, optional
        The kind of memory that the user assumes, or the beginning of its name; all kinds if None.
    """
    if not (area_um2 > 0 and min(pitch_um) >= SHORTEST_UM):
        return ()
    u_rel = area_um2_u / area_um2 if math.isfinite(area_um2_u) else 0.0
    wanted = memory_kinds() if kind is None else _of_kind(memory_kinds(), kind)
    found = []
    for name in wanted:
        cells = [cell for cell in published_cells() if cell.kind == name]
        found += _by_cells(name, cells, area_um2, u_rel)
        found += [item for rule in cell_rules() if rule.kind == name for item in _by_rule(rule, area_um2, u_rel)]
    return tuple(found)


def published_spread(cells: Sequence[PublishedCell]) -> float:
    """Standard deviation of ln(area) of cells of one node, pooled over the nodes (JCGM 100, H.3.6 for pooling)."""
    squares, free = 0.0, 0
    for group in _by_node(cells).values():
        logs = np.log([cell.area_um2 for cell in group])
        squares += float(((logs - logs.mean()) ** 2).sum())
        free += len(group) - 1
    return math.sqrt(squares / free) if free > 1 else SPREAD_WITHOUT


def _by_cells(kind: str, cells: Sequence[PublishedCell], area_um2: float, u_rel: float) -> list[Candidate]:
    spread = published_spread(cells) if cells else 0.0
    found = []
    for node_nm, group in _by_node(cells).items():
        areas = [cell.area_um2 for cell in group]
        middle = float(np.mean(np.log(areas)))
        limit = COVERAGE * math.sqrt(spread**2 * (1.0 + 1.0 / len(group)) + u_rel**2)
        if abs(math.log(area_um2) - middle) > limit:
            continue
        listed = f"{min(areas):g}" if len(set(areas)) == 1 else f"{min(areas):g} to {max(areas):g}"
        basis = (
            f"published cells of {listed} µm² ({len(group)}), taken to scatter by "
            f"{100 * COVERAGE * spread:.0f} % from maker to maker"
        )
        found.append(
            Candidate(kind, node_nm, node_nm, basis, _sources(group), all(cell.mark != "read" for cell in group))
        )
    return found


def _by_rule(rule: CellRule, area_um2: float, u_rel: float) -> list[Candidate]:
    # An area known to some share is a feature known to half that share.
    slack = COVERAGE * 0.5 * math.hypot(u_rel, SPREAD_WITHOUT if rule.low_f2 == rule.high_f2 else 0.0)
    low = 1e3 * math.sqrt(area_um2 / rule.high_f2) * (1.0 - slack)
    high = 1e3 * math.sqrt(area_um2 / rule.low_f2) * (1.0 + slack)
    low, high = max(low, LEAST_FEATURE_NM), min(high, GREATEST_FEATURE_NM)
    if low > high:
        return []
    squares = f"{rule.low_f2:g}" if rule.low_f2 == rule.high_f2 else f"{rule.low_f2:g} to {rule.high_f2:g}"
    basis = f"a cell of {squares} F², with F, the smallest feature, taken as the name of the node"
    return [Candidate(rule.kind, low, high, basis, (rule.source,), rule.mark != "read")]


def _sources(cells: Iterable[PublishedCell]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(cell.source + ("" if cell.mark == "read" else " (value from memory)") for cell in cells))


def _by_node(cells: Iterable[PublishedCell]) -> dict[float, list[PublishedCell]]:
    nodes: dict[float, list[PublishedCell]] = {}
    for cell in cells:
        nodes.setdefault(cell.node_nm, []).append(cell)
    return nodes


def _of_kind(kinds: Iterable[str], wanted: str) -> list[str]:
    """Kinds that are called so, or that have all of its words."""
    words = wanted.lower().replace(",", " ").split()
    return [kind for kind in kinds if words and all(word in kind.lower().replace(",", " ").split() for word in words)]


def _lines(name: str) -> list[dict[str, str]]:
    text = (files("dieplat.measurement") / "data" / name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))
