"""What an inductor is as a part of a circuit, every figure with the range that its assumptions leave open.

A range is not a standard uncertainty: it runs from the least to the largest value over every combination of the
assumptions' own ranges, the inductance at k = 2 among them.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What is said of a coil's metal and of what lies around it; None where nothing was said.

    `metal` is a key of `dieplat.inductance.resistance_q.METALS`, "unknown" (aluminium or copper) or "none" (no
    resistance and no quality factor are wanted). Spans are (least, largest). `sheet_ohm` is in ohms a square and
    takes the place of a metal; `oxide_um` lies between the metal's underside and the substrate. `underpass_um` and
    `ground_um` count from the metal's middle down: to the middle of an underpass, to a conducting plane.
    """

    metal: str = "unknown"
    sheet_ohm: Span | None = None
    oxide_um: Span | None = None
    permittivity: Span | None = None
    substrate_ohm_cm: Span | None = None
    underpass_um: float | None = None
    ground_um: float | None = None


@dataclass(frozen=True, slots=True)
class Interval:
    """A figure and the range that is open."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Assumed:
    """An assumption: what it is of, the value used, the range allowed, and where both come from."""

    name: str
    value: float
    low: float
    high: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class AtFrequency:
    """The coil at one frequency: inductance and resistance of the conductor, quality factor between its ends."""

    frequency_hz: float
    inductance_nh: Interval
    resistance_ohm: Interval | None
    quality: Interval | None


@dataclass(frozen=True, slots=True)
class Electrical:
    """The electrical figures of one inductor.

    `curve` rises in frequency; `resistance_ohm` is for direct current. Resistances and quality factors are None
    where no metal was assumed. `oxide_ff` is the whole capacitance to what lies below, `turns_ff` what the turns,
    and the crossings, add between the ends.
    """

    assumed: tuple[Assumed, ...]
    resistance_ohm: Interval | None
    oxide_ff: Interval
    turns_ff: Interval
    self_resonance_hz: Interval
    curve: tuple[AtFrequency, ...]
    at: AtFrequency | None = None
    peak: AtFrequency | None = None
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values; the curve as one list a quantity."""
        plain = asdict(self)
        plain["assumed"] = [asdict(line) for line in self.assumed]
        plain["notes"] = list(self.notes)
        plain["curve"] = _columns(self.curve)
        return plain


def _columns(curve: tuple[AtFrequency, ...]) -> dict[str, Any]:
    columns: dict[str, Any] = {"frequency_hz": [point.frequency_hz for point in curve]}
    for name in ("inductance_nh", "resistance_ohm", "quality"):
        intervals = [getattr(point, name) for point in curve]
        known = all(interval is not None for interval in intervals)
        for part, suffix in (("value", ""), ("low", "_low"), ("high", "_high")):
            columns[f"{name}{suffix}"] = [getattr(i, part) for i in intervals] if known else None
    return columns
