"""What every instrument family provides, and the settings all of them share.

A new instrument is one file with an ``Instrument`` subclass, one line in
``registry.py`` and an entry in the bench's configuration.
"""

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from functools import cached_property
from typing import Annotated, Literal, NamedTuple, Protocol

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from drivers.counting import Counting, check_travel
from drivers.sample import Press, Sample


class Clock(Protocol):
    """What is needed of the injected clock."""

    def t_us(self) -> int:
        """Monotonic microseconds."""
        ...


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError("must be a finite number")
    return value


Finite = Annotated[float, AfterValidator(_finite)]


class Settings(BaseModel):
    """Base of every settings model: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class SignalRange(NamedTuple):
    """An analogue signal: its ends, outside of what it is a fault, and the unit it comes in."""

    low: float
    high: float
    broken_below: float
    over_above: float
    unit: str


SIGNALS = {
    # live zero; failure limits of NAMUR NE 43 (from memory)
    "4-20 mA": SignalRange(4.0, 20.0, 3.6, 21.0, "mA"),
    # ratiometric transducers at 5 V; failure limits: common practice, no source
    "0.5-4.5 V": SignalRange(0.5, 4.5, 0.25, 4.75, "V"),
}


# where a quantity has no limit, and what rounding cannot bridge at one
_FAR = 1e9
_MARGIN = 1e-6


class ChannelSettings(Settings):
    """How one number of an instrument becomes a quantity.

    quantity = (number * scale + offset), in ``unit``; ``low`` and ``high``
    bound the quantity, in the same unit. With a ``signal``, number * scale +
    offset is that signal in mA or V, and the quantity lies on the straight
    line from ``at_low`` at its lower end to ``at_high`` at its upper end.
    With the signal ``count`` the number is the count of an encoder, see :class:`Counting`:
    quantity = (count - preset) / counts_per_unit, turned round with ``count_falls``.
    Accuracy is the maker's or the certificate's 95 % figure: ``accuracy`` in ``unit``, plus
    ``accuracy_percent_of_reading``; ``resolution`` is one digit, in ``unit``,
    ``zero_resolution`` one digit of a zero that is not the mean of many samples.
    """

    field: str = ""
    unit: str
    scale: Finite = 1.0
    offset: Finite = 0.0
    low: Finite | None = None
    high: Finite | None = None
    accuracy: Annotated[Finite, Field(ge=0)] = 0.0
    accuracy_percent_of_reading: Annotated[Finite, Field(ge=0)] = 0.0
    resolution: Annotated[Finite, Field(ge=0)] = 0.0
    signal: Literal["", "4-20 mA", "0.5-4.5 V", "count"] = ""
    at_low: Finite | None = None
    at_high: Finite | None = None
    zero_resolution: Annotated[Finite, Field(ge=0)] = 0.0
    counts_per_unit: Annotated[Finite, Field(gt=0)] | None = None
    count_falls: bool = False
    preset: int = 0
    rolls_over_at: Annotated[int, Field(ge=256)] | None = None

    @model_validator(mode="after")
    def _ends_of_the_signal(self) -> "ChannelSettings":
        ends = (self.at_low is None, self.at_high is None)
        if self.signal in SIGNALS and (True in ends or self.at_low == self.at_high):
            raise ValueError(f"a {self.signal} signal needs at_low and at_high, the quantities at its ends")
        if self.signal not in SIGNALS and False in ends:
            raise ValueError("at_low and at_high belong to a signal: give signal, or leave them out")
        return self

    @model_validator(mode="after")
    def _count(self) -> "ChannelSettings":
        if self.signal != "count":
            if self.counts_per_unit or self.count_falls or self.preset or self.rolls_over_at:
                raise ValueError('counts_per_unit, count_falls, preset and rolls_over_at need signal = "count"')
            return self
        if self.counts_per_unit is None:
            raise ValueError(f"a count needs counts_per_unit: how many counts are one {self.unit}")
        if (self.scale, self.offset) != (1.0, 0.0):
            raise ValueError("a count has counts_per_unit and preset in place of scale and offset")
        if self.rolls_over_at is not None:
            check_travel(self.rolls_over_at, self.counts_per_unit, self.unit, self.low, self.high)
        if self.resolution == 0.0:
            # frozen to all others: this is still its making
            object.__setattr__(self, "resolution", 1.0 / self.counts_per_unit)
        return self

    @property
    def counting(self) -> Counting | None:
        """How counts become a quantity; None where the number is no count."""
        if self.signal != "count" or self.counts_per_unit is None:
            return None
        slope = (-1.0 if self.count_falls else 1.0) / self.counts_per_unit
        return Counting(slope, float(self.preset), float(self.rolls_over_at or 0))

    def unrolled(self, number: float) -> float:
        """A count in its turn next to the preset; any other number as it is."""
        its = self.counting
        return number if its is None else its.unrolled(number)

    def quantity(self, number: float) -> float:
        """The quantity in ``unit`` for the number that the instrument sent."""
        if (counting := self.counting) is not None:
            return (counting.unrolled(number) - counting.preset) * counting.slope
        scaled = number * self.scale + self.offset
        if self.signal not in SIGNALS or self.at_low is None or self.at_high is None:
            return scaled
        its = SIGNALS[self.signal]
        return self.at_low + (scaled - its.low) * ((self.at_high - self.at_low) / (its.high - its.low))

    def signal_fault(self, number: float) -> str:
        """What a signal outside its limits points to; empty when it is inside, or there is none."""
        if (counting := self.counting) is not None:
            return counting.fault(number)
        if self.signal not in SIGNALS:
            return ""
        its, value = SIGNALS[self.signal], number * self.scale + self.offset
        if value < its.broken_below:
            return f"{value:.3g} {its.unit}: broken wire, or no supply"
        if value > its.over_above:
            return f"{value:.3g} {its.unit}: short circuit, or beyond the transducer's range"
        return ""

    def in_range(self, number: float) -> bool:
        """Whether the quantity lies between ``low`` and ``high``, and its signal is sound (NaN is not)."""
        low, high = self._sound_span
        return low <= number <= high or self._in_range(number)

    @cached_property
    def _sound_span(self) -> tuple[float, float]:
        """Two numbers between which all are in range, for most need no more looking at; (inf, -inf) without such.

        Each step from number to quantity keeps the order, so what lies between two sound numbers is sound; but
        between two counts there are numbers that are none.
        """
        span = math.inf, -math.inf
        slope = self.quantity(1.0) - self.quantity(0.0)
        if self.signal == "count" or not slope or not self.scale:
            return span
        limits = (self.low if self.low is not None else -_FAR, self.high if self.high is not None else _FAR)
        low, high = sorted((limit - self.quantity(0.0)) / slope for limit in limits)
        if self.signal in SIGNALS:
            its = SIGNALS[self.signal]
            ends = sorted((end - self.offset) / self.scale for end in (its.broken_below, its.over_above))
            low, high = max(low, ends[0]), min(high, ends[1])
        margin = _MARGIN * (high - low)
        low, high = low + margin, high - margin
        return (low, high) if low <= high and self._in_range(low) and self._in_range(high) else span

    def _in_range(self, number: float) -> bool:
        quantity = self.quantity(number)
        if not math.isfinite(quantity) or self.signal_fault(number):
            return False
        return (self.low is None or quantity >= self.low) and (self.high is None or quantity <= self.high)


class InstrumentSettings(Settings):
    """Keys that every instrument has, whatever its family.

    ``port`` is any pyserial URL. ``source`` replaces the port in what every
    value carries. ``silent_after_s``: no good line for that long is said.
    ``dtr`` false keeps a board from restarting when its port is opened.
    """

    driver: str
    port: Annotated[str, Field(min_length=1)]
    baud: Annotated[int, Field(gt=0)] = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    dtr: bool = True
    source: str = ""
    silent_after_s: Annotated[Finite, Field(gt=0)] = 2.0
    channels: Annotated[dict[str, ChannelSettings], Field(min_length=1)]

    @property
    def said_source(self) -> str:
        """The source that every sample of this instrument carries."""
        if self.source:
            return self.source
        return self.port if "://" in self.port else f"serial://{self.port}"


@dataclass(slots=True)
class Counts:
    """What came in and what was not used, since the driver started."""

    bytes: int = 0
    good_lines: int = 0
    samples: int = 0
    presses: int = 0
    garbage_lines: int = 0
    not_finite: int = 0
    out_of_range: int = 0
    overlong: int = 0
    discarded_bytes: int = 0
    no_reply: int = 0
    reconnects: int = 0
    last_discarded: str = field(default="")

    @property
    def discarded(self) -> int:
        """Lines and values that came in and were not used."""
        return self.garbage_lines + self.not_finite + self.out_of_range + self.overlong


class Parser(Protocol):
    """Pure: bytes in any split to samples and presses. No clock, no port."""

    counts: Counts

    def ask(self) -> bytes:
        """What to send for the next reply; empty for an instrument that talks by itself."""
        ...

    def feed(self, data: bytes, t_us: int) -> list[Sample | Press]:
        """Use all of ``data``, stamp what it completes with ``t_us``."""
        ...

    def reset(self) -> None:
        """Forget a half line: the link was lost or has just been opened."""
        ...

    def abandon(self) -> None:
        """The reply is overdue: forget what came of it, and the rest should it still come."""
        ...


class Instrument(ABC):
    """One configured instrument: its parser, and what to ask and how often."""

    Settings: type[InstrumentSettings] = InstrumentSettings
    # an instrument that only talks when its data button is pressed is never "silent"
    silence_is_normal: bool = False
    # one that answers when it is asked: its parser says what to ask with
    asks: bool = False
    # one that asks, and whose every answer is one line of text: only these can be on a visa:// port
    answers_in_lines: bool = False
    # one without a port: its numbers are typed
    typed: bool = False

    def __init__(self, name: str, settings: InstrumentSettings) -> None:
        self.name = name
        self.settings = settings

    @abstractmethod
    def parser(self) -> Parser:
        """A fresh parser for this instrument."""

    @property
    def ask_every_s(self) -> float:
        """Seconds between requests; only used when it ``asks``."""
        return 0.2

    @property
    def reply_within_s(self) -> float:
        """How long a reply may take; only used when it ``asks``."""
        return 0.5
