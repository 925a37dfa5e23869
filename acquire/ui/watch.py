"""What the dashboard remembers of the stream: the latest, the last half minute, the last event."""

from collections import deque

from acquire.records import Frame, LiveEvent, Reading
from acquire.ui.company import Company
from acquire.ui.saying import Between
from acquire.ui.words import brief

SPAN_S = 30.0
SILENCE_S = 1.5
FLASH_S = 1.8
NOTICE_S = 8.0
# letters that are read in a second beside other work (common practice, no source)
READ_PER_S = 10.0
_KEPT = 600


class History:
    """The last half minute of one channel: (time in s, SI value or None for a gap)."""

    def __init__(self) -> None:
        self.samples: deque[tuple[float, float | None]] = deque(maxlen=_KEPT)

    def add(self, t_s: float, value: float | None) -> None:
        """Keep one more, drop what is older than the span; a clock that went back starts anew."""
        if self.samples and t_s < self.samples[-1][0]:
            self.samples.clear()
        self.samples.append((t_s, value))
        while self.samples[0][0] < t_s - SPAN_S:
            self.samples.popleft()


class Watch:
    """The state behind the screens. Times are seconds of the caller's monotonic clock."""

    def __init__(self, now_s: float) -> None:
        self.frame: Frame | None = None
        self.company = Company()
        self.between: Between = ""
        self.unfinished = False
        self.pressure = History()
        self.lift = History()
        self.flow = History()
        self.taken: LiveEvent | None = None
        self.taken_s = -1e9
        self.notice = ""
        self.notice_bad = False
        self._notice_s = -1e9
        self._notice_pull: int | None = None
        self._heard_s = now_s
        self._lost = ""

    def hear_frame(self, frame: Frame, now_s: float) -> None:
        """A frame came: it is the state now."""
        self.frame, self._heard_s, self._lost = frame, now_s, ""
        if frame.pull is not None:
            self.between = ""
        t_s = frame.t_us / 1e6
        for channel, history in (("test_pressure", self.pressure), ("lift", self.lift)):
            history.add(t_s, _traced(frame.readings.get(channel)))
        self.flow.add(t_s, _flow_traced(frame))

    def hear_event(self, event: LiveEvent, now_s: float) -> None:
        """Something happened once: a taken point flashes, the rest is a notice."""
        if event.kind == "taken":
            self.taken, self.taken_s = event, now_s
        elif event.kind in ("mark", "notice", "command"):
            self.say(event.sentence, now_s, bad=event.kind == "mark")
            self._notice_pull = event.pull_id if event.kind == "mark" else None

    def hear_lost(self, sentence: str) -> None:
        """The stream broke."""
        self._lost = sentence or "the connection broke"

    def say(self, sentence: str, now_s: float, *, bad: bool = False) -> None:
        """Show one sentence for a while."""
        self.notice, self._notice_s, self.notice_bad = brief(sentence), now_s, bad
        self._notice_pull = None

    def said(self, now_s: float) -> str:
        """The notice that is still to be shown; a mark of an earlier pull is not one of the next."""
        shown = self.frame.pull_id if self.frame is not None else None
        if self._notice_pull is not None and shown is not None and shown > self._notice_pull:
            return ""
        return self.notice if now_s - self._notice_s < max(NOTICE_S, len(self.notice) / READ_PER_S) else ""

    def flashing(self, now_s: float) -> LiveEvent | None:
        """The point just taken, while it flashes."""
        return self.taken if now_s - self.taken_s < FLASH_S else None

    def lost(self, now_s: float) -> tuple[str, str]:
        """What to say when the daemon is not heard, and why as far as known; else nothing."""
        silent = now_s - self._heard_s
        if not self._lost and silent < SILENCE_S:
            return "", ""
        since = f" for {silent:.0f} s" if silent >= 1 else ""
        return f"No word from the bench's daemon{since}: trying again by itself.", self._lost


def _flow_traced(frame: Frame) -> float | None:
    """The flow as it belongs in a trace: stated from next to no pressure it would only hide the rest."""
    pressure, meter = (_traced(frame.readings.get(name)) for name in ("test_pressure", "meter_pressure"))
    wanted = frame.guide.wants.test_pressure_pa or 0.0
    return None if pressure is None or meter is None or pressure < wanted / 2 else frame.flow_m3_s


def _traced(reading: Reading | None) -> float | None:
    """A reading as it belongs in a trace, where what was typed once would look as if it had held."""
    return reading.value if reading is not None and reading.state == "live" and not reading.typed else None
