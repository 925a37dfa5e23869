"""What happened in a recorded session: taken points, and what was not taken, with the reason."""

from acquire.daemon.guide import Guidance
from acquire.hold import in_other_unit
from acquire.pull.core import PullCore
from acquire.pull.outputs import Marked, Output, Skipped, Taken
from acquire.sessions.playback import Happening
from acquire.sessions.replay import Moment
from acquire.ui.words import MISSING_WORDS
from acquire.values import Standing

# a stay this long without a reading is told; below, the valve was only passing
LEAST_STAY_US = 2_000_000
_LOOK_EVERY_US = 250_000


class Happenings:
    """Collects while a session is fed to a pull, moment by moment."""

    def __init__(self, guidance: Guidance) -> None:
        self.found: list[Happening] = []
        self._guidance = guidance
        self._looked_us = 0
        self._stay_us: int | None = None
        self._last = Standing("waiting")

    def see(self, moment: Moment, core: PullCore) -> None:
        """One moment, after the pull has seen it."""
        if moment.said:
            self.found.append(Happening(moment.t_us, "notice", moment.said))
        for output in moment.outputs:
            self._output(moment.t_us, output)
        if core.phase == "steps" and moment.t_us - self._looked_us >= _LOOK_EVERY_US:
            self._looked_us = moment.t_us
            self._look(moment.t_us, core.standing())

    def _output(self, t_us: int, output: Output) -> None:
        if isinstance(output, Taken):
            self._stay_us = None
            point = output.point
            sentence = self._guidance.taken(point)
            if spikes := point.capture.rejected:
                sentence += f" {spikes} sample{' was' if spikes == 1 else 's were'} left out."
            if not point.settled:
                self.found.append(Happening(t_us, "not settled", f"{sentence} {self._said(point.remark)}".strip()))
            elif not point.hold.held:
                self.found.append(Happening(t_us, "not held", f"{sentence} {self._said(point.hold.reason)}"))
            else:
                self.found.append(Happening(t_us, "taken", sentence))
        elif isinstance(output, Marked):
            self.found.append(Happening(t_us, "mark", output.mark.sentence))
        elif isinstance(output, Skipped) and output.skipped:
            self.found.append(Happening(t_us, "skipped", f"Step {output.step + 1} was left out."))

    def _said(self, reason: str) -> str:
        """A kept reason as a sentence, in the operator's unit of pressure."""
        its = in_other_unit(reason, self._guidance.pressure)
        return f"{its[0].upper()}{its[1:].rstrip('.')}." if its else ""

    def _look(self, t_us: int, now: Standing) -> None:
        if now.state in ("settling", "stuck", "settled"):
            self._stay_us = self._stay_us if self._stay_us is not None else t_us
            self._last = now
        elif self._stay_us is not None:
            stayed_us, self._stay_us = t_us - self._stay_us, None
            if stayed_us >= LEAST_STAY_US and self._last.state != "settled":
                self.found.append(Happening(t_us, "left early", self._left(stayed_us)))

    def _left(self, stayed_us: int) -> str:
        missing = self._last.detail or ", ".join(MISSING_WORDS[missing] for missing in self._last.missing)
        return f"Left after {stayed_us / 1e6:.0f} s before it had settled: {missing or 'too few readings'}."
