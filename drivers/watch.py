"""What there is to say about one port: pure, told the time, says each thing once."""

from collections.abc import Iterable
from typing import Literal

from drivers.base import Counts, Instrument
from drivers.sample import Notice, NoticeKind

State = Literal["opening", "live", "silent", "lost"]

DISCARDED_EVERY_US = 5_000_000


class _Channel:
    """One channel of several: its habit tells what is silence."""

    def __init__(self) -> None:
        self.heard_us = 0
        self.missing = False
        self._count = 0
        self._longest_us = 0

    def hear(self, t_us: int) -> bool:
        """It came; whether it had been missing."""
        missing, self.missing = self.missing, False
        if self._count and not missing:
            self._longest_us = max(self._longest_us, t_us - self.heard_us)
        self._count += 1
        self.heard_us = t_us
        return missing

    def is_missing(self, t_us: int, silent_after_us: int) -> bool:
        """Whether it has newly been away for far longer than it is used to."""
        known = self._count >= 3
        limit_us = max(silent_after_us, 3 * self._longest_us) if known else 5 * silent_after_us
        return not self.missing and t_us - self.heard_us > limit_us


class Watch:
    """The state of one port and the notices that its changes are worth.

    ``sentence`` says what is wrong now and is empty while the instrument is
    live. Times are microseconds of the injected clock.
    """

    def __init__(self, instrument: Instrument, counts: Counts) -> None:
        self._name = instrument.name
        self._where = f"{instrument.name} on {instrument.settings.port}"
        self._silent_after_us = round(instrument.settings.silent_after_s * 1e6)
        self._silence_is_normal = instrument.silence_is_normal
        self._counts = counts
        self.state: State = "opening"
        self.sentence = f"{self._where}: the port is being opened"
        self._in_trouble = False
        self._ever_opened = False
        self._heard_us = 0
        self._bytes_then = 0
        self._discarded_said = 0
        self._discarded_said_us: int | None = None
        channels = instrument.settings.channels
        self._channels = {name: _Channel() for name in channels} if len(channels) > 1 else {}

    def opened(self, t_us: int) -> list[Notice]:
        """The port is open; the instrument has not said anything yet."""
        self.state = "opening"
        self.sentence = f"{self._where}: waiting for the first line"
        self._heard_us = t_us
        self._bytes_then = self._counts.bytes
        for channel in self._channels.values():
            channel.heard_us = t_us
        notices = []
        if not self._ever_opened:
            self._ever_opened = True
            notices.append(self._notice(t_us, "opened", f"{self._where}: the port is open"))
        if self._silence_is_normal:
            notices += self.heard(t_us)
        return notices

    def heard(self, t_us: int, channels: Iterable[str] = ()) -> list[Notice]:
        """A good line came, and was handed on; ``channels`` were in it."""
        self._heard_us = t_us
        self._bytes_then = self._counts.bytes
        back = [name for name in channels if name in self._channels and self._channels[name].hear(t_us)]
        if self.state == "live":
            return [self._notice(t_us, "back", f"{self._where}: {name.replace('_', ' ')} is back") for name in back]
        self.state = "live"
        self.sentence = ""
        if not self._in_trouble:
            return []
        self._in_trouble = False
        return [self._notice(t_us, "back", f"{self._where} is back")]

    def lost(self, t_us: int, what: str) -> list[Notice]:
        """``what`` keeps its readings from arriving; said once until it is over."""
        said_already = self.state == "lost"
        self.state = "lost"
        self.sentence = f"{self._name}: {what}"
        self._in_trouble = True
        return [] if said_already else [self._notice(t_us, "lost", self.sentence)]

    def tick(self, t_us: int) -> list[Notice]:
        """Time goes by: has it been silent for too long, is there waste to report?"""
        notices = self._discarded(t_us)
        quiet = t_us - self._heard_us > self._silent_after_us
        if quiet and not self._silence_is_normal and self.state in ("opening", "live"):
            self.state = "silent"
            self.sentence = self._silence()
            self._in_trouble = True
            notices.append(self._notice(t_us, "silent", self.sentence))
        elif self.state == "live" and not self._silence_is_normal:
            notices += self._silent_channels(t_us)
        return notices

    def _silent_channels(self, t_us: int) -> list[Notice]:
        """One of several channels may stay away while the others keep the instrument live."""
        notices = []
        for name, channel in self._channels.items():
            if channel.is_missing(t_us, self._silent_after_us):
                channel.missing = True
                last = f" (last not used: {self._counts.last_discarded!r})" if self._counts.last_discarded else ""
                sentence = (
                    f"{self._where}: no {name.replace('_', ' ')} for {(t_us - channel.heard_us) / 1e6:.0f} s, "
                    f"though others arrive{last}: check what measures it"
                )
                notices.append(self._notice(t_us, "silent", sentence))
        return notices

    def _silence(self) -> str:
        seconds = f"{self._silent_after_us / 1e6:g} s"
        came = self._counts.bytes - self._bytes_then
        if not came:
            return f"{self._where} has sent nothing for {seconds}: check its power, cable and baud rate"
        return (
            f"{self._where} has sent no usable line for {seconds}, though {came} bytes came "
            f"(last: {self._counts.last_discarded!r}): check its baud rate, units and the pattern"
        )

    def _discarded(self, t_us: int) -> list[Notice]:
        counts = self._counts
        new = counts.discarded - self._discarded_said
        recently = self._discarded_said_us is not None and t_us - self._discarded_said_us < DISCARDED_EVERY_US
        if not new or recently:
            return []
        self._discarded_said = counts.discarded
        self._discarded_said_us = t_us
        total = (
            f"{counts.garbage_lines} not readable, {counts.out_of_range} out of range, "
            f"{counts.not_finite} not a number, {counts.overlong} too long"
        )
        sentence = (
            f"{self._where}: {new} {'line was' if new == 1 else 'lines were'} not used "
            f"(last: {counts.last_discarded!r}; since the start: {total}): check the cable, baud rate and pattern"
        )
        return [self._notice(t_us, "discarded", sentence)]

    def _notice(self, t_us: int, kind: NoticeKind, sentence: str) -> Notice:
        return Notice(self._name, t_us, kind, sentence)
