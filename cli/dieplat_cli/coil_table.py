"""A coil's electrical figures as lines of text: value, range, and every assumption beside them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dieplat.values.electrical import Assumed, AtFrequency, Electrical, Interval


def electrical_lines(electrical: Electrical) -> list[str]:
    """What the coil is in a circuit, then what was assumed for it."""
    lines = ["in a circuit: value (range over all the assumptions below)"]
    if electrical.resistance_ohm is None:
        lines.append("  resistance and Q     not given: no metal was assumed")
    else:
        lines.append(f"  resistance, dc       {with_range(electrical.resistance_ohm)} ohm")
    if electrical.at is not None:
        lines.append(_at(electrical.at))
    if electrical.peak is not None and electrical.peak.quality is not None:
        lines.append(
            f"  largest Q            {with_range(electrical.peak.quality)} near "
            f"{electrical.peak.frequency_hz / 1e9:.2g} GHz"
        )
    lines.append(f"  self-resonance       {with_range(electrical.self_resonance_hz, 1e-9)} GHz")
    lines.append(f"  capacitance below    {with_range(electrical.oxide_ff)} fF in all")
    lines.append(f"  between turns        {with_range(electrical.turns_ff)} fF at the ends")
    lines += ["", "assumed for these figures"]
    lines += [f"  {assumed_line(line)}" for line in electrical.assumed]
    lines += [f"  {note}" for note in electrical.notes]
    return lines


def assumed_line(line: Assumed) -> str:
    """`name: value (low to high) unit; source`."""
    return (
        f"{line.name}: {line.value:.3g} ({line.low:.3g} to {line.high:.3g}) {line.unit}".rstrip() + f"; {line.source}"
    )


def with_range(interval: Interval, factor: float = 1.0) -> str:
    """`value (low to high)`, three figures each."""
    value, low, high = (factor * part for part in (interval.value, interval.low, interval.high))
    return f"{value:.3g} ({low:.3g} to {high:.3g})"


def _at(at: AtFrequency) -> str:
    text = f"  at {at.frequency_hz:.6g} Hz: {with_range(at.inductance_nh)} nH"
    if at.resistance_ohm is not None and at.quality is not None:
        text += f", {with_range(at.resistance_ohm)} ohm, Q {with_range(at.quality)}"
    return text
