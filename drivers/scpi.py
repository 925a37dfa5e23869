"""Instruments that speak SCPI (IEEE 488.2 common commands, SCPI-1999): over serial, or raw TCP (usually port 5025).

Each channel has its query; all are asked in turn. Once at the start the
instrument is asked who it is, and after an answer that could not be used what
its error queue holds.
"""

import math
import re
from typing import Annotated

from pydantic import AfterValidator, Field

from drivers.base import ChannelSettings, Counts, Finite, Instrument, InstrumentSettings
from drivers.framing import LineFramer, discard
from drivers.sample import Press, Sample

# SCPI-1999, 7.2.1.4 and 7.2.1.5: an overflow is sent as 9.9E37, and what is no number as 9.91E37
_INFINITY = 9.9e37
_NOT_A_NUMBER = 9.91e37
_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?")
_ERROR = re.compile(r'\s*([-+]?\d+)\s*,\s*"(.*)"\s*')
_IDENTIFY, _NEXT_ERROR = "*IDN?", "SYST:ERR?"
# answers of the error queue read in a row before the readings go on: a queue that never empties is not waited for
_MOST_ERRORS = 20


def _query(text: str) -> str:
    if not text.isascii() or not text.isprintable() or "?" not in text:
        raise ValueError(f"{text!r} asks nothing: a query is plain text with a question mark, such as MEAS:PRES?")
    return text


class ScpiChannel(ChannelSettings):
    """``query`` asks for the channel; of an answer with several numbers ``place`` (from 1) is taken."""

    query: Annotated[str, AfterValidator(_query)]
    place: Annotated[int, Field(ge=1, le=100)] = 1


class ScpiSettings(InstrumentSettings):
    """``identity``: what the answer to ``*IDN?`` must contain: another instrument is never read as this one."""

    identity: str = ""
    every_s: Annotated[Finite, Field(ge=0.01)] = 0.2
    reply_within_s: Annotated[Finite, Field(ge=0.01)] = 1.0
    channels: Annotated[dict[str, ScpiChannel], Field(min_length=1)]  # type: ignore[assignment]


class ScpiParser:
    """Answers to samples; see ``drivers.base.Parser``. Every question has one line of answer."""

    def __init__(self, settings: ScpiSettings) -> None:
        self.counts = Counts()
        self._settings = settings
        self._source = settings.said_source
        self._queries = tuple(dict.fromkeys(its.query for its in settings.channels.values()))
        self._framer = LineFramer(self.counts, 4096, joins_midway=False)
        self._next = 0
        self._asked = ""
        self._identified = False
        self._errors_to_read = 0

    def ask(self) -> bytes:
        """Who it is, then its errors if it may have some, then the queries in turn."""
        if not self._identified:
            self._asked = _IDENTIFY
        elif self._errors_to_read > 0:
            self._asked = _NEXT_ERROR
        else:
            self._asked = self._queries[self._next]
            self._next = (self._next + 1) % len(self._queries)
        return self._asked.encode("ascii") + b"\n"

    def reset(self) -> None:
        """Forget what was asked: the link was lost or has just been opened, perhaps to another instrument."""
        self._framer.reset()
        self._asked = ""
        self._identified = False
        self._errors_to_read = 0
        self._next = 0

    def abandon(self) -> None:
        """The answer is overdue, and must not pass for that of the next query should it still come.

        Answers come in the order of the questions: after the one to ``*IDN?``, which no other looks like, all of
        them are through. A query that an instrument does not know is not answered; its queue then says why.
        """
        self._framer.abandon()
        self._out_of_step()

    def feed(self, data: bytes, t_us: int) -> list[Sample | Press]:
        """Use all of ``data``; only the first line after a question is its answer."""
        self.counts.bytes += len(data)
        found: list[Sample | Press] = []
        for line in self._framer.feed(data, t_us):
            asked, self._asked = self._asked, ""
            text = line.decode("ascii", "replace").strip()
            if asked == _IDENTIFY:
                self._identify(text, line)
            elif asked == _NEXT_ERROR:
                self._error(text, line)
            elif asked:
                found += self._samples(asked, text, line, t_us)
            else:
                self._garbage(line)
        return found

    def _out_of_step(self) -> None:
        self._asked = ""
        self._identified = False

    def _identify(self, text: str, line: bytes) -> None:
        if _ERROR.fullmatch(text) or all(_NUMBER.fullmatch(part.strip()) for part in text.split(",")):
            # a late answer to something else: this one is still to come
            self.counts.discarded_bytes += len(line)
            self._asked = _IDENTIFY
            return
        if self._settings.identity and self._settings.identity.casefold() not in text.casefold():
            self._garbage(line)
            self.counts.last_discarded = f"this is {text[:60]}, not {self._settings.identity}"
            return
        self._identified = True
        self.counts.good_lines += 1
        # what went wrong before we came is not ours: empty the queue
        self._errors_to_read = _MOST_ERRORS

    def _error(self, text: str, line: bytes) -> None:
        said = _ERROR.fullmatch(text)
        if said is None:
            self._garbage(line)
            self._errors_to_read = 0
            self._out_of_step()
        elif int(said[1]) == 0:
            self._errors_to_read = 0
            self.counts.good_lines += 1
        else:
            self._errors_to_read -= 1
            self._garbage(line)
            self.counts.last_discarded = f"error {said[1]}: {said[2][:60]}"

    def _samples(self, asked: str, text: str, line: bytes, t_us: int) -> list[Sample]:
        if _ERROR.fullmatch(text):
            # its number is no reading
            self._garbage(line)
            self._out_of_step()
            return []
        parts = [part.strip() for part in text.split(",")]
        found: list[Sample] = []
        readable = True
        for channel, its in self._settings.channels.items():
            if its.query != asked:
                continue
            part = parts[its.place - 1] if its.place <= len(parts) else ""
            if not _NUMBER.fullmatch(part):
                readable = False
                continue
            number = float(part)
            if number == _NOT_A_NUMBER or not math.isfinite(number):
                self._unusable("not_finite", f"{channel}: the instrument has no number for it", line)
            elif abs(number) >= _INFINITY:
                self._unusable("out_of_range", f"{channel}: beyond the instrument's range", line)
            elif not its.in_range(number):
                self._unusable("out_of_range", its.signal_fault(number), line)
            else:
                found.append(Sample(channel, t_us, number, self._source))
        if not readable:
            self._garbage(line)
            self._errors_to_read = _MOST_ERRORS
        self.counts.samples += len(found)
        self.counts.good_lines += bool(found)
        return found

    def _unusable(self, count: str, said: str, line: bytes) -> None:
        setattr(self.counts, count, getattr(self.counts, count) + 1)
        discard(self.counts, line)
        self.counts.last_discarded = said or self.counts.last_discarded

    def _garbage(self, line: bytes) -> None:
        self.counts.garbage_lines += 1
        discard(self.counts, line)


class Scpi(Instrument):
    """One SCPI instrument."""

    Settings = ScpiSettings
    settings: ScpiSettings
    asks = True
    answers_in_lines = True

    def parser(self) -> ScpiParser:
        return ScpiParser(self.settings)

    @property
    def ask_every_s(self) -> float:
        return self.settings.every_s / len({its.query for its in self.settings.channels.values()})

    @property
    def reply_within_s(self) -> float:
        return self.settings.reply_within_s
