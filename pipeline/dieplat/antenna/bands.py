"""Frequencies by the names that standards give them."""

from __future__ import annotations

from dataclasses import dataclass

from dieplat.errors import SettingsError


@dataclass(frozen=True, slots=True)
class Band:
    """A band of frequencies in hertz."""

    name: str
    low_hz: float
    high_hz: float


ISM_2G4 = Band("the 2.4 GHz band", 2.400e9, 2.4835e9)
"""2400 to 2483.5 MHz, as equipment for short ranges may use it (edges as national rules quote them)."""


def channel_hz(number: int) -> float:
    """Centre frequency of a 2.4 GHz channel of IEEE 802.11.

    Channel n from 1 to 13 lies at 2407 + 5 n MHz, channel 14 at 2484 MHz (IEEE 802.11-2016, channel centre
    frequencies, as documentation quotes it).

    Raises
    ------
    SettingsError
        If there is no such channel.
    """
    if number == 14:
        return 2.484e9
    if not 1 <= number <= 13:
        raise SettingsError(f"channel {number}: IEEE 802.11 has 1 to 14 at 2.4 GHz")
    return (2407 + 5 * number) * 1e6
