"""Faults as data: what goes wrong, at which instrument, when. The same plan gives the same bytes.

A fault is placed either by the instrument's line number (counted from 1 since
the bench was made) or by the bench's time.
"""

import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

FaultKind = Literal["drop", "truncate", "flip", "stall", "unplug", "boot", "spike", "zero", "freeze"]
DEVICES = ("front_end", "lift_indicator", "weather")


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault. Exactly one of ``at_line`` and ``at_s`` places it.

    ``drop``, ``truncate`` and ``flip`` spoil ``count`` lines: left out, cut
    in the middle, one bit turned. ``stall`` sends nothing for ``for_s``;
    ``unplug`` takes the port away for ``for_s``, and the instrument boots
    when it is back; ``boot`` restarts it where it stands. ``spike`` changes
    the first number by the relative ``size`` for ``count`` lines, ``zero``
    makes it zero, ``freeze`` repeats the last line for ``for_s``. For the
    front end the number is the meter pressure.
    """

    device: str
    kind: FaultKind
    at_line: int | None = None
    at_s: float | None = None
    for_s: float = 0.0
    count: int = 1
    size: float = 0.2

    def __post_init__(self) -> None:
        if self.device not in DEVICES:
            raise ValueError(f"no simulated instrument is called {self.device!r}: use one of {', '.join(DEVICES)}")
        if (self.at_line is None) == (self.at_s is None):
            raise ValueError(f"a {self.kind} fault needs either at_line or at_s")


def every_kind() -> tuple[Fault, ...]:
    """The plan of the scenario ``faults``: each kind at least once in the first two minutes."""
    return (
        Fault("front_end", "drop", at_line=500, count=3),
        Fault("front_end", "flip", at_line=700),
        Fault("front_end", "truncate", at_line=900),
        Fault("front_end", "spike", at_s=22.0, count=2, size=0.4),
        Fault("lift_indicator", "truncate", at_s=25.0),
        Fault("front_end", "zero", at_s=28.0),
        Fault("front_end", "stall", at_s=35.0, for_s=1.2),
        Fault("lift_indicator", "flip", at_s=40.0),
        Fault("front_end", "freeze", at_s=46.0, for_s=2.5),
        Fault("lift_indicator", "unplug", at_s=55.0, for_s=3.0),
        Fault("weather", "truncate", at_s=60.0),
        Fault("front_end", "boot", at_s=75.0),
        Fault("weather", "stall", at_s=80.0, for_s=5.0),
        Fault("front_end", "unplug", at_s=100.0, for_s=4.0),
    )


def now_and_then(rng: random.Random, spikes_per_min: float, gaps_per_min: float) -> Iterator[Fault]:
    """Spikes, single zeros and gaps of the front end without end, in order of time."""
    rate_per_s = (spikes_per_min + gaps_per_min) / 60.0
    if rate_per_s <= 0.0:
        return
    at_s = 0.0
    while True:
        at_s += rng.expovariate(rate_per_s)
        if rng.random() * (spikes_per_min + gaps_per_min) >= spikes_per_min:
            yield Fault("front_end", "stall", at_s=at_s, for_s=rng.uniform(0.1, 1.5))
        elif rng.random() < 0.2:
            yield Fault("front_end", "zero", at_s=at_s)
        else:
            size = rng.choice((-1.0, 1.0)) * rng.uniform(0.03, 0.40)
            yield Fault("front_end", "spike", at_s=at_s, count=rng.randint(1, 3), size=size)


class FaultPlan:
    """Hands out one instrument's faults when their time or line comes."""

    def __init__(self, device: str, faults: Iterable[Fault], endless: Iterator[Fault] = iter(())) -> None:
        mine = [fault for fault in faults if fault.device == device]
        self._by_line = sorted((f for f in mine if f.at_line is not None), key=_line_of, reverse=True)
        self._by_time = sorted((f for f in mine if f.at_s is not None), key=_time_of, reverse=True)
        self._endless = endless
        self._next = next(endless, None)

    def due(self, now_s: float, line: int) -> list[Fault]:
        """The faults that begin before line number ``line`` at ``now_s``."""
        due: list[Fault] = []
        while self._by_line and _line_of(self._by_line[-1]) <= line:
            due.append(self._by_line.pop())
        while self._by_time and _time_of(self._by_time[-1]) <= now_s:
            due.append(self._by_time.pop())
        while self._next is not None and _time_of(self._next) <= now_s:
            due.append(self._next)
            self._next = next(self._endless, None)
        return due

    def add(self, fault: Fault) -> None:
        """Place one more fault."""
        if fault.at_line is not None:
            self._by_line.append(fault)
            self._by_line.sort(key=_line_of, reverse=True)
        else:
            self._by_time.append(fault)
            self._by_time.sort(key=_time_of, reverse=True)


def _time_of(fault: Fault) -> float:
    return fault.at_s if fault.at_s is not None else 0.0


def _line_of(fault: Fault) -> int:
    return fault.at_line if fault.at_line is not None else 0
