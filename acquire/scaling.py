"""From the number an instrument sent to an SI value: scale, offset, unit."""

from collections.abc import Iterable
from dataclasses import dataclass

from acquire.units import SI_UNIT, Water, kind_of, to_si
from drivers.base import ChannelSettings, Instrument


@dataclass(frozen=True, slots=True)
class Scale:
    """si = number * gain + offset, in ``si_unit``."""

    gain: float
    offset: float
    si_unit: str

    def si(self, number: float) -> float:
        """The SI value for a number as received."""
        return number * self.gain + self.offset


def scale_for(settings: ChannelSettings, water: Water) -> Scale:
    """The straight line from a channel's numbers to SI. Raises ``UnitError``."""
    zero = to_si(settings.quantity(0.0), settings.unit, water)
    one = to_si(settings.quantity(1.0), settings.unit, water)
    return Scale(one - zero, zero, SI_UNIT[kind_of(settings.unit)])


def channel_settings(instruments: Iterable[Instrument]) -> dict[str, ChannelSettings]:
    """Every channel's settings, by channel."""
    return {channel: its for instrument in instruments for channel, its in instrument.settings.channels.items()}
