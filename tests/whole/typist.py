"""A simulated person who reads water columns and a dial by eye, and types what is asked for."""

import random
import re
from collections.abc import Sequence

from drivers.typed import CHANNELS, Typed
from sim.air import INCH_M, INH2O_PA
from sim.bench import SimBench

# a column damps what the air does; then the eye waits until it stands
COLUMN_S = 0.7
STANDS_S = 5.0
NEXT_S = 1.5

TYPED = {
    "lift": '{ unit = "in", low = -0.05, high = 1.0, accuracy = 0.001, reading = "0.001 in" }',
    "test_pressure": '{ unit = "inH2O", low = -1.0, high = 60.0, accuracy = 0.1, reading = "0.1 inH2O" }',
    "meter_pressure": '{ unit = "inH2O", low = -1.0, high = 20.0, accuracy = 0.03, reading = "0.05 inH2O" }',
}
_MEASURED = {"lift": "lift_indicator", "test_pressure": "front_end", "meter_pressure": "front_end"}


def typed_text(text: str, *channels: str) -> str:
    """A configuration in which these channels of the simulated bench are typed instead of measured."""
    head, *blocks = re.split(r"(?m)^(?=\[instruments\.)", text)
    kept = [block for block in blocks if not any(_is_of(block, name) for name in channels)]
    names = {match[1] for block in kept if (match := re.match(r"\[instruments\.(\w+)\.channels", block))}
    kept = [block for block in kept if _name_of(block) in names]
    typed = "\n".join(f"[instruments.by_eye.channels]\n{_lines(channels)}".splitlines())
    return "".join([head, *kept]) + f'\n[instruments.by_eye]\ndriver = "typed"\nsource = "sim://by_eye"\n{typed}\n'


def _lines(channels: Sequence[str]) -> str:
    return "\n".join(f"{name} = {TYPED[name]}" for name in channels)


def _name_of(block: str) -> str:
    match = re.match(r"\[instruments\.(\w+)", block)
    assert match is not None
    return match[1]


def _is_of(block: str, channel: str) -> bool:
    return block.startswith(f"[instruments.{_MEASURED[channel]}.channels.{channel}]")


class Typist:
    """Draws what his columns and dial are off by from what is stated of them; reads to the readability."""

    def __init__(self, bench: SimBench, instruments: Sequence[Typed], seed: int) -> None:
        self._bench = bench
        self._rng = random.Random(f"{seed}/typist")
        self._channels = {name: its for one in instruments for name, its in one.settings.channels.items()}
        self._off = {name: self._rng.gauss(0.0, its.accuracy / 1.96) for name, its in self._channels.items()}
        # where the scale's mark was set, before anything is read
        self._mark = {name: self._rng.uniform(-0.8, 0.8) * its.resolution for name, its in self._channels.items()}
        self._seen = dict.fromkeys(CHANNELS, 0.0)
        self._rest_s = 0.0
        self._moment: object = None

    def look(self, dt_s: float) -> None:
        """The columns follow the air; after a long time they stand where it is."""
        plant, operator = self._bench.plant, self._bench.operator
        share = min(1.0, dt_s / COLUMN_S)
        now = {"test_pressure": plant.felt_test_pressure_pa(), "meter_pressure": plant.meter_pressure_pa()}
        for name, pressure_pa in now.items():
            self._seen[name] += share * (pressure_pa / INH2O_PA - self._seen[name])
        self._seen["lift"] = operator.lift_m / INCH_M
        holding = operator.lift_doing == "holding" and operator.pressure_doing == "holding"
        self._rest_s = self._rest_s + dt_s if holding else 0.0

    def reading(self, channel: str) -> str:
        """What the eye reads off now, as text."""
        its, value = self._channels[channel], self._seen[channel]
        # what is stated of accuracy is of a reading whose zero was subtracted
        shown = value + self._mark[channel] + (self._off[channel] if value > 10 * its.accuracy else 0.0)
        digits = max(0, len(f"{its.resolution:g}".partition(".")[2]))
        return f"{round(shown / its.resolution) * its.resolution:.{digits}f}"

    def says(self, asked: str, moment: object) -> tuple[str, str] | None:
        """The channel and the text that he types now; None while he waits: at every new ``moment`` anew."""
        if moment != self._moment:
            self._moment, self._rest_s = moment, 0.0
        if not asked or self._rest_s < STANDS_S:
            return None
        self._rest_s = STANDS_S - NEXT_S
        return asked, self.reading(asked)
