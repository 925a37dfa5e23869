"""What a driver hands on: samples, presses of a data button, and notices."""

from typing import Literal, NamedTuple


class Sample(NamedTuple):
    """One number as the instrument sent it, stamped once at the read.

    ``value`` is the number in the line, finite, before scale and unit: it is
    what the archive keeps, so that a session can be recomputed. ``t_us`` is
    the injected clock's monotonic time in microseconds. ``source`` says where
    the number came from (``serial:///dev/ttyACM0``, ``sim://front_end``) and
    travels with it, so that a simulated number never passes for a measured one.
    """

    channel: str
    t_us: int
    value: float
    source: str


class Press(NamedTuple):
    """The operator pressed the instrument's data button: "take it now"."""

    instrument: str
    t_us: int


NoticeKind = Literal["opened", "lost", "back", "silent", "discarded", "typed"]


class Notice(NamedTuple):
    """Something about an instrument that the operator may need to know.

    ``sentence`` says what was seen, where, and what to do.
    """

    instrument: str
    t_us: int
    kind: NoticeKind
    sentence: str
