"""Where the daemon's words go: the journal where there is one, else stderr and a file that does not grow for ever."""

import logging
import os
import stat
import sys
from collections.abc import Mapping
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import TextIO

from acquire.records import Refused

LARGEST_FILE = 1_000_000
FILES_KEPT = 5
# levels of syslog(3), as systemd reads them at the beginning of a line (sd-daemon(3))
NOTICE = 25
_PRIORITIES = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (NOTICE, 5), (logging.INFO, 6))


class JournalFormatter(logging.Formatter):
    """A priority before each line, no time: the journal has its own."""

    def format(self, record: logging.LogRecord) -> str:
        """Each line with its priority, so that a traceback stays together."""
        priority = next((number for level, number in _PRIORITIES if record.levelno >= level), 7)
        return "\n".join(f"<{priority}>{line}" for line in super().format(record).splitlines())


class PlainFormatter(logging.Formatter):
    """For people who look on: the sentence, and how bad it is where it is bad."""

    def format(self, record: logging.LogRecord) -> str:
        """The sentence."""
        word = f"{record.levelname.lower()}: " if record.levelno >= logging.WARNING else ""
        return word + super().format(record)


class UntilFull(logging.StreamHandler[TextIO]):
    """For stderr that was sent to a file, which nobody rotates: once that is full, ``rest`` alone has what follows."""

    def __init__(self, stream: TextIO, rest: Path) -> None:
        super().__init__(stream)
        self._rest = rest
        self._full = False

    def emit(self, record: logging.LogRecord) -> None:
        """Write it while there is room."""
        if self._full:
            return
        super().emit(record)
        self._full = os.fstat(self.stream.fileno()).st_size > LARGEST_FILE
        if self._full:
            self.stream.write(f"This file is full: from here on see {self._rest}{self.terminator}")
            self.flush()


def _stat_of(stream: TextIO) -> os.stat_result | None:
    """What lies behind a stream; None where it is none of the system's."""
    try:
        return os.fstat(stream.fileno())
    except (OSError, ValueError):
        return None


def _is_file(stream: TextIO) -> bool:
    its = _stat_of(stream)
    return its is not None and stat.S_ISREG(its.st_mode)


def is_journal(stream: TextIO | None = None, environment: Mapping[str, str] = os.environ) -> bool:
    """Whether a stream (stderr) goes to systemd's journal (``JOURNAL_STREAM`` names its device and inode)."""
    its = _stat_of(stream or sys.stderr)
    return its is not None and environment.get("JOURNAL_STREAM", "") == f"{its.st_dev}:{its.st_ino}"


def start_logging(log_file: Path | None, stream: TextIO | None = None, journal: bool | None = None) -> None:
    """Log to ``stream`` (stderr), and to ``log_file`` if given. Raises ``Refused`` if it cannot be written."""
    stream = stream if stream is not None else sys.stderr
    journal = is_journal(stream) if journal is None else journal
    shown = UntilFull(stream, log_file) if log_file is not None and _is_file(stream) else logging.StreamHandler(stream)
    shown.setFormatter(JournalFormatter("%(message)s") if journal else PlainFormatter("%(message)s"))
    handlers: list[logging.Handler] = [shown]
    if log_file is not None:
        try:
            log_file.parent.mkdir(parents=True, exist_ok=True)
            kept = RotatingFileHandler(log_file, maxBytes=LARGEST_FILE, backupCount=FILES_KEPT, encoding="utf-8")
        except OSError as error:
            raise Refused(f"the log {log_file} cannot be written ({error}): give another --log-file") from error
        kept.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
        handlers.append(kept)
    root = logging.getLogger()
    root.setLevel(logging.INFO)
    for handler in handlers:
        root.addHandler(handler)
    # uvicorn tells of its own life at this level
    logging.getLogger("uvicorn.error").setLevel(logging.WARNING)
