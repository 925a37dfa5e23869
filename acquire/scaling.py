"""From the number an instrument sent to an SI value: scale, offset, unit, or the calibration in force."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from pydantic import TypeAdapter

from acquire.calibration.doubt import ZEROED, doubt_at, number_for
from acquire.calibration.record import Calibration
from acquire.units import SI_UNIT, Water, factor, from_si, kind_of, to_si
from drivers.base import ChannelSettings, Instrument
from drivers.counting import Counting

N = TypeVar("N", float, NDArray[np.float64])


@dataclass(frozen=True, slots=True)
class Scale:
    """si = number * gain + offset + number^2 * bend, in ``si_unit``; of a count in its turn."""

    gain: float
    offset: float
    si_unit: str
    bend: float = 0.0
    counting: Counting | None = None

    def si(self, number: N) -> N:
        """The SI value for a number as received, or for many."""
        if self.counting is not None:
            number = self.counting.unrolled(number)
        straight = number * self.gain + self.offset
        return straight if self.bend == 0.0 else straight + number * number * self.bend


class CalibratedSettings(ChannelSettings):
    """A channel's settings where a calibration took the place of scale, offset and accuracy.

    ``coefficients`` are the calibration's, in the channel's own ``unit``.
    """

    calibration: Calibration
    coefficients: tuple[float, ...]

    def quantity(self, number: float) -> float:
        """The quantity in ``unit``, by the calibration."""
        number = self.unrolled(number)
        return sum(its * number**power for power, its in enumerate(self.coefficients))


_EITHER: TypeAdapter[ChannelSettings] = TypeAdapter(CalibratedSettings | ChannelSettings)


def scale_for(settings: ChannelSettings, water: Water) -> Scale:
    """The curve from a channel's numbers to SI. Raises ``UnitError``."""
    if isinstance(settings, CalibratedSettings):
        c0, c1, *rest = settings.coefficients
        one, si_unit = factor(settings.unit, water), SI_UNIT[kind_of(settings.unit)]
        bend = rest[0] * one if rest else 0.0
        return Scale(c1 * one, to_si(c0, settings.unit, water), si_unit, bend, settings.counting)
    if (counting := settings.counting) is not None:
        one = counting.slope * factor(settings.unit, water)
        zero = to_si(0.0, settings.unit, water) - counting.preset * one
        return Scale(one, zero, SI_UNIT[kind_of(settings.unit)], counting=counting)
    zero = to_si(settings.quantity(0.0), settings.unit, water)
    one = to_si(settings.quantity(1.0), settings.unit, water)
    return Scale(one - zero, zero, SI_UNIT[kind_of(settings.unit)])


def channel_settings(
    instruments: Iterable[Instrument],
    calibrations: Mapping[str, Calibration] | None = None,
    water: Water = "conventional",
) -> dict[str, ChannelSettings]:
    """Every channel's settings, by channel; with the calibration of that channel and instrument, if there is one."""
    found: dict[str, ChannelSettings] = {}
    for instrument in instruments:
        for channel, its in instrument.settings.channels.items():
            calibration = (calibrations or {}).get(channel)
            mine = calibration is not None and calibration.instrument == instrument.name
            found[channel] = calibrated(its, calibration, water) if calibration is not None and mine else its
    return found


def settings_from_json(text: str) -> ChannelSettings:
    """A channel's settings as they were kept, with its calibration if there was one."""
    return _EITHER.validate_json(text)


def calibrated(settings: ChannelSettings, calibration: Calibration, water: Water) -> CalibratedSettings:
    """The settings with a calibration in force. Raises ``UnitError`` where it measures something else."""
    slope = factor(calibration.unit, water) / factor(settings.unit, water)
    moved = from_si(to_si(0.0, calibration.unit, water), settings.unit, water)
    first, *others = calibration.coefficients
    coefficients = (first * slope + moved, *(its * slope for its in others))
    own: dict[str, Any] = {name: getattr(settings, name) for name in ChannelSettings.model_fields}
    return CalibratedSettings(**own, calibration=calibration, coefficients=coefficients)


@dataclass(frozen=True, slots=True)
class InUnit:
    """A channel in its own unit: quantity = number * scale + offset + number^2 * bend; ``accuracy`` its 95 % figure."""

    scale: float
    offset: float
    bend: float
    accuracy: float
    calibrated: bool


def line_of(settings: ChannelSettings) -> InUnit:
    """What is in force for a channel, whatever signal lies between; a calibrated accuracy is that at the top."""
    if isinstance(settings, CalibratedSettings):
        its = settings.calibration
        offset, scale, *bend = settings.coefficients
        top = its.high if its.high is not None else 0.0
        accuracy = doubt_at(its, top, its.channel in ZEROED).half_width_95 * abs(scale / its.coefficients[1])
        return InUnit(scale, offset, bend[0] if bend else 0.0, accuracy, calibrated=True)
    if (counting := settings.counting) is not None:
        return InUnit(counting.slope, -counting.preset * counting.slope, 0.0, settings.accuracy, calibrated=False)
    if settings.signal:
        offset = settings.quantity(0.0)
        return InUnit(settings.quantity(1.0) - offset, offset, 0.0, settings.accuracy, calibrated=False)
    return InUnit(settings.scale, settings.offset, 0.0, settings.accuracy, calibrated=False)


def number_of(settings: ChannelSettings, quantity: float) -> float:
    """The number as received for a quantity in the channel's unit: the scale or calibration turned round."""
    if isinstance(settings, CalibratedSettings):
        return number_for(settings.calibration.model_copy(update={"coefficients": settings.coefficients}), quantity)
    its = line_of(settings)
    return (quantity - its.offset) / its.scale
