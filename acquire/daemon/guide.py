"""The one thing to do now, as a sentence in the operator's units.

Pure: what the pull and its instruments look like goes in, one sentence comes
out. It never mentions keys: it is read at the bench and by other programs.
"""

from collections.abc import Callable, Collection

from acquire.daemon.silence import Silence, silent_said
from acquire.daemon.spoken import Spoken, cure_first, left_said, missing_said
from acquire.lifts import inside
from acquire.pull.core import PullCore
from acquire.records import Guide, Situation, Wants
from acquire.stabiliser.witness import ENTER_SHARE
from acquire.values import Point, PullKind, PullView, Standing, Step

# within so many bands of zero the blower no longer runs
_NEARLY_ZERO = 5.0
# how the test pressure moves, by what was shown of it between two pressures; asked for only where it is said
Trend = Callable[[float, float], float | None]


def _unknown(_low_pa: float, _high_pa: float) -> None:
    return None


class Guidance(Spoken):
    """Sentences in one bench's display units."""

    def guide(
        self,
        core: PullCore | None,
        silence: Silence | None,
        announced: Point | None,
        trend_pa_s: Trend = _unknown,
        at_rest: Collection[str] = (),
    ) -> Guide:
        """The sentence for this moment.

        ``announced`` is the point just taken;
        ``trend_pa_s`` gives how the test pressure moves since it is between two
        pressures, None where that cannot be told from standing still;
        ``at_rest``: the channels seen near zero once the pull has ended.
        """
        if core is None and silence is not None:
            return _say("signal_lost", silent_said(silence))
        if core is None:
            return _say("no_pull", "No pull is running: begin a new one.")
        wants = self.wants(core)
        if core.outcome is not None:
            return self._ended(core, wants, at_rest)
        if core.zero_lost and (silence is None or silence.name != "lift"):
            closed = wants.model_copy(update={"lift_m": 0.0})
            sentence = "The lift indicator lost its zero: close the valve, zero it there, then go on."
            return _say("close_valve", sentence, closed)
        if silence is not None:
            return _say("signal_lost", silent_said(silence), wants)
        if core.paused:
            return _say("paused", "Paused: nothing is taken until you go on.", wants)
        if core.phase in ("zero_before", "zero_after"):
            return self._zero(core, wants)
        return self._step(core, wants, "Taken. " if announced is not None else "", trend_pa_s)

    def wants(self, core: PullCore) -> Wants:
        """What is asked of the operator, as numbers."""
        fitted = {"lift": "head", "leakage": "blank plate", "plate": "reference plate"}[core.request.kind]
        step = core.step
        return Wants.model_validate(
            {
                "lift_m": (step.lift_m if step else 0.0) if core.with_valve else None,
                "test_pressure_pa": step.test_pressure_pa if step else 0.0,
                "direction": core.request.direction,
                "meter_range": core.meter_range,
                "fitted": fitted,
            }
        )

    # ------------------------------------------------------------ phases

    def _ended(self, core: PullCore, wants: Wants, at_rest: Collection[str]) -> Guide:
        run, view = _RUN[core.request.kind], core.view()
        blower = "" if "test_pressure" in at_rest else "stop the blower"
        valve = "close the valve" if core.with_valve and "lift" not in at_rest else ""
        left = ", ".join(filter(None, (blower, valve)))
        cure = f" {left[0].upper()}{left[1:]}." if left else ""
        if core.outcome == "aborted":
            kept = "what was taken is kept" if core.points else "nothing was taken"
            shut = wants.model_copy(update={"test_pressure_pa": 0.0, "lift_m": 0.0 if core.with_valve else None})
            return _say("aborted", f"{run} aborted: {kept}.{cure}", shut)
        # where the zeros were read again, both are done
        cure = "" if view.zeros_after is not None else cure
        missed = sum(not step.points for step in view.steps)
        if missed == len(view.steps):
            return _say("ended", f"{run} ended: nothing was taken.{cure}", wants)
        but = f", {missed} of {len(view.steps)} steps left out" if missed else ""
        return _say("ended", f"{run} complete{but}.{cure} {_marks(view)}", wants)

    def _zero(self, core: PullCore, wants: Wants) -> Guide:
        limits = core.config.zero
        # a signal is outside too until it has spoken again: asked for is only what is seen to be off
        bands = {"lift": limits.lift_band_m}
        outside = [
            name
            for name in core.zeros_outside
            if abs(core.latest(name) or 0.0) > bands.get(name, limits.pressure_band_pa)
        ]
        again = " again" if core.phase == "zero_after" else ""
        awaited = core.awaited[0] if core.awaited else ""
        lift = core.latest("lift")
        off = next((name for name in ("test_pressure", "meter_pressure") if name in outside), None)
        if off is not None:
            pressure = core.latest(off)
            seen = f": {off.replace('_', ' ')} reads {self.pressure(pressure)}" if pressure is not None else ""
            if pressure is not None and abs(pressure) <= _NEARLY_ZERO * limits.pressure_band_pa:
                # the blower has stopped: what is left is the transducer's own, or draught
                seen += f", {self.pressure(limits.pressure_band_pa)} at most"
            return _say("stop_blower", f"Stop the blower to read the zeros{again}{seen}.", wants)
        if "lift" in outside:
            seen = f": lift reads {self.lift(lift)}" if lift is not None else ""
            return _say("close_valve", f"Close the valve to read the zeros{again}{seen}.", wants)
        if awaited:
            first = "Close the valve" if awaited == "lift" else "Stop the blower"
            sentence = f"{first}, type the zero of the {self.named(awaited)}{again}, then Enter."
            return _say("type_value", sentence, wants)
        why = f", {core.zero_restless.replace('_', ' ')} not yet still" if core.zero_restless else ""
        return _say("hold_zero", f"Hold: reading the zeros{again}{why}.", wants)

    def _step(self, core: PullCore, wants: Wants, taken: str, trend_pa_s: Trend) -> Guide:
        step = core.step
        assert step is not None
        pressure, lift = core.latest("test_pressure"), core.latest("lift")
        settling = core.settling
        if core.fault:
            return _say("wrong_range", cure_first(core.fault), wants)
        awaited = core.awaited[0] if core.awaited else ""
        if awaited == "lift":
            return _say("type_value", taken + self._type_lift(core, step), wants)
        if step.lift_m is not None and lift is not None and not core.lift_on_press and "lift" not in core.typed:
            off_m = step.lift_m - lift
            if not inside(off_m, settling.lift_tolerance_m):
                goal = self.lift(step.lift_m)
                if off_m > 0:
                    return _say("open_valve", f"{taken}Open the valve to {goal}: {self._bare_lift(off_m)} more.", wants)
                return _say("close_down", f"{taken}Close the valve to {goal}: {self._bare_lift(-off_m)} back.", wants)
        if awaited == "test_pressure":
            return _say("type_value", taken + self._type_pressure(core, step), wants)
        if pressure is not None and "test_pressure" not in core.typed:
            off_pa, judged = step.test_pressure_pa - pressure, core.standing()
            band_pa = step.test_pressure_pa * settling.test_pressure_band
            out = "test pressure" in judged.missing
            # at the very edge it would wait there for ever: the judgement lets it in a little farther inside
            if not inside(off_pa, band_pa * ENTER_SHARE if out else band_pa) and (out or judged.state == "waiting"):
                first = "" if core.with_valve or pressure > step.test_pressure_pa / 4 else self._plate(wants)
                if core.lift_on_press and step.lift_m is not None:
                    # nobody sees where the valve stands
                    first = f"Set the lift to {self.lift(step.lift_m)}. "
                return self._trim(taken + first, step, off_pa, wants)
        if awaited:
            return _say("type_value", f"{taken}Type the {self.named(awaited)}, then Enter.", wants)
        if taken:
            goal = self.lift(step.lift_m) if step.lift_m is not None else self.pressure(step.test_pressure_pa)
            return _say("taken", f"{taken}Next {goal}.", wants)
        return self._hold(core, core.standing(), wants, trend_pa_s)

    def _trim(self, before: str, step: Step, off_pa: float, wants: Wants) -> Guide:
        goal, by = self.pressure(step.test_pressure_pa), self._bare_pressure(abs(off_pa))
        if off_pa > 0:
            return _say("raise_pressure", f"{before}Raise the test pressure to {goal}: {by} more.", wants)
        return _say("lower_pressure", f"{before}Lower the test pressure to {goal}: {by} less.", wants)

    def _hold(self, core: PullCore, standing: Standing, wants: Wants, trend_pa_s: Trend) -> Guide:
        step = core.step
        hold = "Hold"
        if core.lift_on_press and step is not None and step.lift_m is not None:
            # nobody sees where the valve stands before the button is pressed
            hold = f"Set the lift to {self.lift(step.lift_m)}"
            if standing.state == "settled":
                return _say("hold_settling", f"{hold}: steady, press the indicator's button.", wants)
        if "frozen" in standing.missing:
            which = standing.detail.partition(":")[0] or "a reading has stopped changing"
            return _say("stuck", f"{which[0].upper()}{which[1:]}: check its instrument.", wants)
        if standing.state == "stuck" and "noise" in standing.missing:
            # at the end of the longest wait it is taken with the interval it has then
            left = f" in about {standing.remaining_s:.0f} s" if (standing.remaining_s or 0.0) >= 1.0 else ""
            return _say("stuck", f"Flow too unsteady: hold, it is taken as it is{left}.", wants)
        if standing.state == "stuck":
            return _say("stuck", f"Not settling: {standing.detail or missing_said(standing.missing)}.", wants)
        if standing.state in ("waiting", "moving"):
            what = self._still(core, trend_pa_s) or missing_said(standing.missing) or "air still moving"
            return _say("hold_moving", f"{hold}: {what}.", wants)
        what = self._still(core, trend_pa_s) or missing_said(standing.missing) or "reading"
        return _say("hold_settling", f"{hold}: {what}{left_said(standing)}.", wants)

    def _type_lift(self, core: PullCore, step: Step) -> str:
        goal, typed_m = self.lift(step.lift_m or 0.0), core.typed_here("lift")
        if typed_m is None:
            return f"Set the valve to {goal}. Type the {self.named('lift')}, then Enter."
        return f"Typed {self.lift(typed_m)}: set the valve to {goal}, then type the lift again."

    def _type_pressure(self, core: PullCore, step: Step) -> str:
        typed_pa, plate = core.typed_here("test_pressure"), "" if core.with_valve else self._plate(self.wants(core))
        goal = self.pressure(step.test_pressure_pa)
        if typed_pa is None:
            unit = self.named("test_pressure").removeprefix("test pressure ")
            return f"{plate}Bring the test pressure to {goal}. Type it {unit}, then Enter."
        return f"Typed {self.pressure(typed_pa)}: bring it to {goal}, then type the test pressure again."

    def _still(self, core: PullCore, trend_pa_s: Trend) -> str:
        """Which way the test pressure goes, and how fast, where it is what is waited for and that can be told."""
        step, missing = core.step, core.standing().missing
        if step is None or missing[:1] not in (("test pressure",), ("hunting",)):
            return ""
        band_pa = step.test_pressure_pa * core.settling.test_pressure_band
        trend = trend_pa_s(step.test_pressure_pa - band_pa, step.test_pressure_pa + band_pa)
        if trend is None:
            return ""
        rate = self._bare_pressure(abs(trend) * 60)
        if float(rate) == 0.0:
            return ""
        way = "rising" if trend > 0 else "falling"
        return f"test pressure still {way}, {rate} {self._display.pressure} a minute"

    def _plate(self, wants: Wants) -> str:
        return f"Fit the {wants.fitted}. "


_RUN: dict[PullKind, str] = {"lift": "Pull", "leakage": "Leakage run", "plate": "Reference plate run"}


def _marks(view: PullView) -> str:
    marks = view.marks
    if not marks:
        return "Zeros and test pressure held."
    return f"{len(marks)} mark{'s' if len(marks) > 1 else ''}: {marks[0].sentence}"


def _say(situation: Situation, sentence: str, wants: Wants | None = None) -> Guide:
    return Guide(situation=situation, sentence=sentence, wants=wants or Wants())
