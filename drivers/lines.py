"""Instruments that send lines of text: streamed by themselves, or when asked.

A regular expression with named groups describes the line; every channel
names the group that holds its number.
"""

import math
import re
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from drivers.base import ChannelSettings, Counts, Finite, Instrument, InstrumentSettings
from drivers.checksum import CHECK, COVERED, Checksum, holds
from drivers.errors import SettingsError
from drivers.framing import LineFramer, discard
from drivers.sample import Press, Sample

# padding and the start and end marks that some indicators put around a line
_AROUND = " \t\x00\x02\x03"
_ESCAPES = {"r": "\r", "n": "\n", "t": "\t", "0": "\0", "\\": "\\"}
_ESCAPE = re.compile(r"\\(x[0-9a-fA-F]{2}|.|$)", re.DOTALL)


def _compilable(pattern: str) -> str:
    try:
        re.compile(pattern, re.ASCII)
    except re.error as error:
        raise ValueError(f"{pattern!r} is not a valid regular expression ({error}): correct it") from error
    return pattern


def unescape(text: str) -> bytes:
    r"""``text`` with ``\r \n \t \0 \\ \xNN`` as the bytes they stand for.

    Raises ``ValueError`` for any other escape, and for what is not a byte.
    """

    def one(match: re.Match[str]) -> str:
        code = match[1]
        if code.startswith("x") and len(code) == 3:
            return chr(int(code[1:], 16))
        if code not in _ESCAPES:
            raise ValueError(f"\\{code} is no escape: use \\r \\n \\t \\0 \\\\ or \\xNN")
        return _ESCAPES[code]

    try:
        return _ESCAPE.sub(one, text).encode("latin-1")
    except UnicodeEncodeError as error:
        raise ValueError(f"{text[error.start]!r} is not one byte: write its bytes as \\xNN") from error


def _sendable(request: str) -> str:
    if not unescape(request):
        raise ValueError("is empty: write what the instrument wants to be asked with")
    return request


Pattern = Annotated[str, AfterValidator(_compilable)]


class LineSettings(InstrumentSettings):
    r"""``pattern`` matches a whole line, blanks around it aside.

    Named groups hold the numbers: ``P=(?P<p>[-+]?\d+\.\d+) inH2O``. Written
    tightly (fixed decimals, units) it also refuses damaged lines. Where the
    instrument sends a checksum, ``checksum`` names its kind and the pattern
    has the groups ``checked`` (what is covered) and ``check`` (hexadecimal):
    ``\$(?P<checked>P=(?P<p>-?\d+\.\d+))\*(?P<check>[0-9A-F]{2})``.
    """

    pattern: Pattern
    checksum: Checksum = ""
    decimal: Literal[".", ","] = "."
    longest_line: Annotated[int, Field(ge=8, le=4096)] = 256


class StreamedSettings(LineSettings):
    """``button_pattern``: a line that matches it is also a press of the data button."""

    button_pattern: Pattern | None = None


class AskedSettings(LineSettings):
    r"""``request`` is sent every ``every_s``; it may hold ``\r \n \t \0 \\ \xNN``."""

    request: Annotated[str, AfterValidator(_sendable)]
    every_s: Annotated[Finite, Field(ge=0.01)] = 0.2
    reply_within_s: Annotated[Finite, Field(ge=0.01)] = 0.5


class LineParser:
    """Bytes to samples and presses; see ``drivers.base.Parser``.

    ``button`` is None (no button), or the pattern of a line that is a press
    as well. A press counts only with its number, unless its line is not
    meant to hold one.
    """

    def __init__(
        self,
        instrument: str,
        settings: LineSettings,
        button: re.Pattern[str] | None = None,
        *,
        streams: bool = True,
        request: bytes = b"",
    ) -> None:
        self.counts = Counts()
        self._request = request
        self._instrument = instrument
        self._source = settings.said_source
        self._decimal = settings.decimal
        self._checksum = settings.checksum
        self._pattern = re.compile(settings.pattern, re.ASCII)
        self._button = button
        self._fields = [(channel, its.field or channel, its) for channel, its in settings.channels.items()]
        self._button_has_fields = button is not None and any(f in button.groupindex for _, f, _ in self._fields)
        self._framer = LineFramer(self.counts, settings.longest_line, joins_midway=streams)

    def ask(self) -> bytes:
        """The configured request; empty for a device that sends by itself."""
        return self._request

    def reset(self) -> None:
        """Forget a half line: the link was lost or has just been opened."""
        self._framer.reset()

    def abandon(self) -> None:
        """The reply is overdue: forget what came of it, and the rest should it still come."""
        self._framer.abandon()

    def feed(self, data: bytes, t_us: int) -> list[Sample | Press]:
        """Use all of ``data``, stamp what it completes with ``t_us``."""
        self.counts.bytes += len(data)
        found: list[Sample | Press] = []
        for line in self._framer.feed(data, t_us):
            self._use(line, t_us, found)
        return found

    def _use(self, line: bytes, t_us: int, found: list[Sample | Press]) -> None:
        text, codec = _decode(line)
        text = text.strip(_AROUND)
        if not text:
            return
        pressed = self._button.fullmatch(text) if self._button else None
        match = pressed if pressed and self._button_has_fields else self._pattern.fullmatch(text)
        if match and not holds(self._checksum, match, codec):
            self._garbage(line)
            self.counts.last_discarded = f"{self.counts.last_discarded} (wrong checksum)"
            return
        if match:
            count = self._numbers(match, line, t_us, found)
        elif pressed:
            count = 1  # a line that says no more than "pressed"
        else:
            count = 0
            self._garbage(line)
        if count:
            self.counts.good_lines += 1
            if pressed:
                self.counts.presses += 1
                found.append(Press(self._instrument, t_us))

    def _numbers(self, match: re.Match[str], line: bytes, t_us: int, found: list[Sample | Press]) -> int:
        groups = match.groupdict()
        count = 0
        wrong = False
        present = False
        for channel, field, its in self._fields:
            text = groups.get(field)
            if text is None:
                continue  # another kind of line: this one does not carry the channel
            present = True
            number = _number(text, self._decimal)
            if number is None:
                wrong = True
            elif self._usable(number, its, line):
                found.append(Sample(channel, t_us, number, self._source))
                count += 1
        if wrong or not present:
            self._garbage(line)
        self.counts.samples += count
        return count

    def _usable(self, number: float, its: ChannelSettings, line: bytes) -> bool:
        if not math.isfinite(number):
            self.counts.not_finite += 1
        elif not its.in_range(number):
            self.counts.out_of_range += 1
        else:
            return True
        discard(self.counts, line)
        self.counts.last_discarded = its.signal_fault(number) or self.counts.last_discarded
        return False

    def _garbage(self, line: bytes) -> None:
        self.counts.garbage_lines += 1
        discard(self.counts, line)


def _decode(line: bytes) -> tuple[str, str]:
    """The text, and the codec that gives the same bytes again."""
    try:
        return line.decode(), "utf-8"
    except UnicodeDecodeError:
        return line.decode("latin-1"), "latin-1"


def _number(text: str, decimal: str) -> float | None:
    text = text.replace(" ", "")  # indicators pad between sign and digits
    if decimal == ",":
        text = text.replace(".", "?").replace(",", ".")
    if "_" in text or not text.isascii():
        return None  # Python would read these as digits
    try:
        return float(text)
    except ValueError:
        return None


class LineInstrument(Instrument):
    """What all instruments have that send lines."""

    Settings: type[LineSettings] = LineSettings
    settings: LineSettings

    def __init__(self, name: str, settings: LineSettings) -> None:
        super().__init__(name, settings)
        groups = list(re.compile(settings.pattern).groupindex)
        patterns = [settings.pattern, getattr(settings, "button_pattern", None)]
        if settings.checksum:
            for pattern in filter(None, patterns):
                if not {COVERED, CHECK} <= set(re.compile(pattern).groupindex):
                    raise SettingsError(
                        f"checksum: {pattern!r} needs the groups (?P<{COVERED}>...) around what is covered "
                        f"and (?P<{CHECK}>...) around the {settings.checksum} in hexadecimal"
                    )
        for channel, its in settings.channels.items():
            if (its.field or channel) not in groups:
                known = f"its groups are {', '.join(groups)}" if groups else "it has no named group"
                raise SettingsError(
                    f"channels.{channel}.field: the pattern has no group (?P<{its.field or channel}>...), {known}"
                )


class LinesStreamed(LineInstrument):
    """A device that sends lines by itself."""

    Settings = StreamedSettings
    settings: StreamedSettings

    def parser(self) -> LineParser:
        pattern = self.settings.button_pattern
        button = re.compile(pattern, re.ASCII) if pattern else None
        return LineParser(self.name, self.settings, button)


class LinesAsked(LineInstrument):
    """A device that answers every request with one line."""

    Settings = AskedSettings
    settings: AskedSettings
    asks = True
    answers_in_lines = True

    def parser(self) -> LineParser:
        return LineParser(self.name, self.settings, streams=False, request=unescape(self.settings.request))

    @property
    def ask_every_s(self) -> float:
        return self.settings.every_s

    @property
    def reply_within_s(self) -> float:
        return self.settings.reply_within_s
