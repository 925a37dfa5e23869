"""Bytes in any split to whole lines: pure, bounded, and it says what it drops."""

from drivers.base import Counts

# a half line that has waited this long is not continued by what comes next
STALE_AFTER_US = 1_000_000
# long enough to recognise another device's text, short enough for one sentence
_SHOWN_BYTES = 40


def discard(counts: Counts, data: bytes) -> None:
    """Count ``data`` as not used, and keep its text for the operator to see."""
    counts.discarded_bytes += len(data)
    text = data[:_SHOWN_BYTES].decode("ascii", "backslashreplace")
    text = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    counts.last_discarded = text + ("..." if len(data) > _SHOWN_BYTES else "")


class LineFramer:
    r"""Lines ended by ``\r\n``, ``\n`` or ``\r``; empty lines are passed over.

    ``longest`` bounds a line, in bytes without its end. ``joins_midway`` is
    for a device that streams: whoever starts to listen hears the end of a
    line first, which must not be taken for a whole one. What is dropped is
    counted in ``counts``.
    """

    def __init__(self, counts: Counts, longest: int = 256, *, joins_midway: bool = True) -> None:
        self._counts = counts
        self._longest = longest
        self._joins_midway = joins_midway
        self._half = b""
        self._skipping = False
        self._t_us = 0

    def reset(self) -> None:
        """Forget the half line, and the rest of it if the device streams."""
        self._counts.discarded_bytes += len(self._half)
        self._half = b""
        self._skipping = self._joins_midway

    def abandon(self) -> None:
        """Forget the half line, and its rest when it comes."""
        self._counts.discarded_bytes += len(self._half)
        self._skipping = self._skipping or bool(self._half)
        self._half = b""

    def feed(self, data: bytes, t_us: int) -> list[bytes]:
        """The lines that ``data``, read at ``t_us``, completes, without their ends."""
        if self._half and t_us - self._t_us > STALE_AFTER_US:
            self._counts.garbage_lines += 1
            discard(self._counts, self._half)
            self._half = b""
            self._skipping = self._joins_midway
        self._t_us = t_us
        lines = data.replace(b"\r", b"\n").split(b"\n")
        if self._skipping:
            self._counts.discarded_bytes += len(lines[0])
            lines[0] = b""
            self._skipping = len(lines) == 1
        lines[0] = self._half + lines[0]
        self._half = lines.pop()
        if not self._fits(self._half):
            self._half = b""
            self._skipping = True
        return [line for line in lines if line and self._fits(line)]

    def _fits(self, line: bytes) -> bool:
        if len(line) <= self._longest:
            return True
        self._counts.overlong += 1
        discard(self._counts, line)
        return False
