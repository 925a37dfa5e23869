"""One pull, from samples to points: the same code live and in replay.

Pure: no clock, no ports, no archive. Time is the samples' own; whatever the
operator does arrives as an :class:`~acquire.records.Action` with its time.
Each call returns what happened, for the engine to commit and to announce.
"""

from collections.abc import Sequence
from dataclasses import replace

from acquire.basis import NO_BASIS, Basis
from acquire.config import BenchConfig, Settling
from acquire.flow.range_comparison import disagreement
from acquire.flow.reading import Neighbour
from acquire.pull.batch import Batch
from acquire.pull.before_pull import marks_of_old, refuse_unreachable, refuse_without_air
from acquire.pull.lift_watch import LiftWatch
from acquire.pull.lift_zero import found_mark
from acquire.pull.outputs import Ended, Marked, Moved, Output, PullState, Skipped, Taken, ZerosRead
from acquire.pull.resuming import open_steps
from acquire.pull.signals import Signals
from acquire.pull.step_reading import StepReading
from acquire.pull.stretches import Sighting, Stretches
from acquire.pull.typed_step import PRESSURE_TYPED, TYPED, no_zero, zero_left_out
from acquire.pull.zeros import ZeroReader, shift_marks
from acquire.records import Action, LeakageLaw, PullRequest, Refused
from acquire.response import BenchResponse
from acquire.values import (
    Capture,
    Channel,
    Mark,
    Outcome,
    Phase,
    Point,
    PullView,
    Standing,
    Step,
    StepState,
    StepView,
    TakenBy,
    Zeros,
)
from drivers.sample import Sample


class PullCore:
    """The state machine of one pull. Feed it samples and actions in order."""

    def __init__(
        self,
        config: BenchConfig,
        request: PullRequest,
        leakage: LeakageLaw | None = None,
        start: PullState | None = None,
        basis: Basis = NO_BASIS,
    ) -> None:
        self.config = config
        self.basis = basis
        self.request = request
        self.leakage = leakage if request.kind != "leakage" else None
        start = start or PullState()
        meter_range = start.meter_range or request.meter_range
        if meter_range not in config.meter.ranges:
            raise Refused(f"meter range {meter_range!r} is not configured: use one of {', '.join(config.meter.ranges)}")
        self._signals = Signals(
            config,
            request.direction,
            meter_range,
            start.zeros_before,
            self.basis,
            reads_leak=request.kind == "leakage",
        )
        self._steps = request.steps()
        self._with_valve = request.kind == "lift"
        refuse_unreachable(self._signals, self._steps, config.water)
        refuse_without_air(self._signals)
        self._phase: Phase = start.phase
        self._outcome: Outcome | None = None
        self._now = start.now
        self._points: list[Point] = list(start.points)
        self._skipped = set(start.skipped)
        self._zeros_after: Zeros | None = None
        self._marks: list[Mark] = list(start.marks)
        # said with the first samples, once in a pull
        self._old = marks_of_old(self._signals, basis, self._marks)
        self._reading = StepReading(config, request, self._signals, basis.response, self._steps[start.now])
        self._zero_reader = self._new_zero_reader()
        self._lift_watch = LiftWatch(config, self._signals, start, with_valve=self._with_valve)
        # nothing is taken at a lift that is counted from somewhere else: the pull stands until the zero is found
        self._paused = self._lift_watch.lost
        self._view: PullView | None = None

    # ------------------------------------------------------------ what others may ask

    @property
    def phase(self) -> Phase:
        """Where in the pull we are."""
        return self._phase

    @property
    def paused(self) -> bool:
        """Whether taking is held back by the operator."""
        return self._paused

    @property
    def outcome(self) -> Outcome | None:
        """None while the pull runs."""
        return self._outcome

    @property
    def step(self) -> Step | None:
        """The step to be taken now."""
        return self._steps[self._now] if self._phase == "steps" else None

    @property
    def with_valve(self) -> bool:
        """Whether steps are valve lifts."""
        return self._with_valve

    @property
    def lift_on_press(self) -> bool:
        """Whether the lift is known only when the indicator's button is pressed."""
        return self._signals.lift_on_press

    @property
    def typed(self) -> tuple[Channel, ...]:
        """The channels of this pull that a person types, in the order in which they are asked for."""
        return self._reading.typed

    @property
    def awaited(self) -> tuple[str, ...]:
        """What is to be typed now, the first of it first."""
        if self._reads_zeros:
            return self._zero_reader.awaited()
        return self._reading.awaited if self._phase == "steps" else ()

    @property
    def asked(self) -> str:
        """The channel that a number typed now is taken for; empty where none is."""
        if self.awaited:
            return self.awaited[0]
        return self._reading.typed_last if self._phase == "steps" else ""

    def typed_here(self, channel: str) -> float | None:
        """What was typed of this step, in SI with its zero subtracted; None where nothing was."""
        return self._reading.typed_value(channel) if self._phase == "steps" else None

    def check_typed(self, channel: str, value: float) -> None:
        """Whether this SI value can be used now. Raises :class:`Refused` with a sentence."""
        if self._phase == "ended":
            return
        if self._paused:
            raise Refused("The pull is paused: go on first, then type.")
        if self._phase != "steps":
            if self._zero_reader.is_no_zero(channel, value):
                raise Refused(no_zero(channel))
            return
        fault = self._signals.typed_fault(channel, value - self._signals.zero(channel))
        if fault:
            raise Refused(f"Not used: {fault}.")

    @property
    def points(self) -> tuple[Point, ...]:
        """Every take so far."""
        return tuple(self._points)

    @property
    def zeros_outside(self) -> tuple[str, ...]:
        """During a zero check: the signals that are not near zero."""
        return self._zero_reader.outside()

    @property
    def zero_restless(self) -> str:
        """During a zero check: the signal that is near zero but does not stand still there; empty for none."""
        return self._zero_reader.restless

    @property
    def zero_lost(self) -> bool:
        """Whether the lift indicator was zeroed with the valve open: the pull stands until it is zeroed closed."""
        return self._lift_watch.lost

    @property
    def settling(self) -> Settling:
        """What counts as settled in this pull."""
        return self._reading.settling

    @property
    def meter_range(self) -> str:
        """The range of the meter that is in use."""
        return self._signals.meter_range

    @property
    def fault(self) -> str:
        """Why there is no flow, or why a settled reading cannot be taken; empty when nothing is wrong."""
        return self._reading.fault if self._phase == "steps" else ""

    def latest(self, signal: str) -> float | None:
        """The latest zero-corrected SI value of test_pressure, meter_pressure, lift or area."""
        return self._signals.latest(signal)

    @property
    def learned(self) -> BenchResponse:
        """What the steps so far have shown of the bench's response."""
        return self._reading.learned

    def standing(self) -> Standing:
        """The judgement of the step's reading at this moment."""
        return self._reading.standing()

    def stated_flow_m3_s(self) -> float | None:
        """The flow now, stated at the reference, leakage included."""
        return self._signals.stated_flow_m3_s()

    def view(self) -> PullView:
        """The pull as it stands."""
        if self._view is None:
            self._view = PullView(
                kind=self.request.kind,
                direction=self.request.direction,
                phase=self._phase,
                paused=self._paused,
                outcome=self._outcome,
                now=self._now if self._phase == "steps" else None,
                steps=tuple(self._step_view(i) for i in range(len(self._steps))),
                zeros_before=self._signals.zeros,
                zeros_after=self._zeros_after,
                marks=tuple(self._marks),
            )
        return self._view

    def state(self) -> PullState:
        """What a later session needs to go on from here."""
        return PullState(
            phase=self._phase,
            now=self._now,
            meter_range=self.meter_range,
            points=tuple(self._points),
            skipped=tuple(sorted(self._skipped)),
            zeros_before=self._signals.zeros,
            marks=tuple(self._marks),
        )

    # ------------------------------------------------------------ samples

    def samples(self, samples: Sequence[Sample]) -> list[Output]:
        """Use samples in their order of arrival."""
        outputs = self._begin()
        for sample in samples:
            if self._phase == "ended":
                break
            if self._signals.knows(sample.channel):
                value = self._signals.si(sample.channel, sample.value)
                if self._signals.take_in(sample.channel, sample.t_us, value):
                    self._signal(sample.channel, sample.t_us, value, outputs)
        return outputs

    def batch(self, batch: Batch) -> list[Output]:
        """Use many at once: the same to the last bit."""
        outputs = self._begin()
        its = Stretches(batch, self._signals)
        at = 0
        while at < its.count and self._phase != "ended":
            if self._phase == "steps" and self._reading.only_collects(self._paused):
                at, seen = self._reading.use(its, at, self._lift_watch.passes_until(its, at))
                if not self._lift_watch.passes(seen):
                    for sighting in seen.one_by_one():
                        self._watch_lift(sighting, outputs)
            elif self._reads_zeros and not self._lift_watch.counts:
                at = self._rest(its, at)
            if at < its.count:
                sample = its.one(at)
                if sample is not None:
                    self._signal(*sample, outputs)
                at += 1
        return outputs

    def _rest(self, its: Stretches, at: int) -> int:
        """Use what comes before any zeros can be complete, during a zero check; the place of the next sample."""
        reader = None if self._paused else self._zero_reader
        end = its.count
        if reader is not None:
            end = its.collected_until(at, reader.complete_from_us(lambda signal: its.next_us(signal, at)))
        for signal, t_us, values in its.as_sent(at, end):
            if reader is not None:
                reader.push_many(t_us, signal, values)
        return end

    @property
    def _reads_zeros(self) -> bool:
        return self._phase in ("zero_before", "zero_after")

    def _begin(self) -> list[Output]:
        outputs: list[Output] = []
        for mark in self._old if self._phase != "ended" else ():
            self._mark(mark, outputs)
        self._old = ()
        return outputs

    def _signal(self, channel: str, t_us: int, value: float, outputs: list[Output]) -> None:
        if self._reads_zeros:
            self._signals.keep(channel, t_us, value)
            if channel == "lift":
                self._lift_watch.push_at_rest(t_us, value, self._now + 1)
            zeros = None if self._paused else self._zero_reader.push(t_us, channel, value)
            if zeros is not None:
                self._zeros_read(zeros, outputs)
            return
        value -= self._signals.zero(channel)
        self._signals.keep(channel, t_us, value)
        if channel in self._reading.typed:
            capture = self._reading.type(channel, t_us, value, self._paused)
            if capture is not None:
                self._take(capture, "hand", outputs)
            return
        if not self._reading.push(channel, t_us, value):
            return
        if channel == "meter_pressure":
            capture = None if self._paused else self._reading.settled()
            if capture is not None:
                self._take(capture, "settled", outputs)
        elif channel == "lift":
            latest = self._signals.latest
            self._watch_lift(Sighting(t_us, value, latest("area"), latest("test_pressure")), outputs)

    def _watch_lift(self, its: Sighting, outputs: list[Output]) -> None:
        lost = self._lift_watch.push(its, self._steps[self._now], self._now + 1)
        if lost is not None:
            self._paused = True
            self._mark(lost, outputs)

    def _find_zero(self, outputs: list[Output]) -> None:
        zeros = self._lift_watch.found(self._steps[self._now])
        self._signals.zeros = zeros
        outputs.append(ZerosRead("before", zeros))
        self._mark(found_mark(self._now + 1), outputs)

    # ------------------------------------------------------------ taking a point

    def _take(self, capture: Capture, by: TakenBy, outputs: list[Output], lift_m: float | None = None) -> bool:
        step = self._steps[self._now]
        # a blank-plate run reads the leakage itself: there is nothing to allow for
        allow = self.request.kind != "leakage"
        try:
            its = self._signals.measure(
                capture, step, self._reading.band_pa, self._neighbour(), self.leakage, lift_m, allow
            )
        except ValueError as error:
            self._reading.failed = str(error)
            return False
        settled = capture.reached and (by == "settled" or self._reading.has_settled)
        point = Point(
            step=self._now,
            take=1 + sum(p.step == self._now for p in self._points),
            t_us=self._signals.t_us,
            taken_by=by,
            settled=settled,
            remark="" if settled else capture.reason,
            step_lift_m=step.lift_m,
            lift_m=its.lift_m,
            test_pressure_pa=its.hold.mean_pa,
            meter_pressure_pa=its.meter_pressure_pa,
            room=its.room,
            meter_temperature_k=its.meter_temperature_k,
            meter_range=self.meter_range,
            capture=replace(
                capture, noise_bands=self._signals.noise_of(capture), rejected=capture.rejected + its.strays
            ),
            hold=its.hold,
            flow=its.flow,
            typed=self.typed,
        )
        self._points.append(point)
        self._skipped.discard(self._now)
        outputs.append(Taken(point))
        if point.hold.unwitnessed and not any(mark.kind == TYPED for mark in self._marks):
            self._mark(Mark(TYPED, PRESSURE_TYPED), outputs)
        self._next_step(outputs)
        return True

    def _neighbour(self) -> Neighbour | None:
        """The nearest lower lift taken in this pull, for the local slope."""
        lower = [p for p in self._in_force().values() if p.step < self._now and p.step_lift_m is not None]
        if not lower:
            return None
        nearest = max(lower, key=lambda p: p.step)
        assert nearest.step_lift_m is not None
        return Neighbour(nearest.step_lift_m, nearest.flow.effective_area_m2)

    def _in_force(self) -> dict[int, Point]:
        return {p.step: p for p in self._points}

    # ------------------------------------------------------------ steps and phases

    def _aim(self, index: int) -> None:
        self._now = index
        self._reading.aim(self._steps[index])
        self._view = None

    def _waiting(self) -> list[int]:
        return open_steps(len(self._steps), self._points, self._skipped)

    def _next_step(self, outputs: list[Output]) -> None:
        waiting = self._waiting()
        later = [i for i in waiting if i > self._now]
        if waiting:
            self._aim(later[0] if later else waiting[0])
            outputs.append(Moved(f"step {self._now + 1} of {len(self._steps)}"))
        else:
            self._enter("zero_after", outputs)

    def _enter(self, phase: Phase, outputs: list[Output]) -> None:
        self._phase = phase
        self._view = None
        self._zero_reader = self._new_zero_reader()
        if phase == "steps":
            waiting = self._waiting()
            self._aim(waiting[0] if waiting else 0)
        outputs.append(Moved({"steps": "first step", "zero_after": "zero check", "ended": "ended"}[phase]))

    def _new_zero_reader(self) -> ZeroReader:
        with_lift = self._with_valve and not self.lift_on_press
        return ZeroReader(self.config.zero, with_lift, self._signals.typed)

    def _zeros_read(self, zeros: Zeros, outputs: list[Output]) -> None:
        if self._phase == "zero_before":
            self._signals.zeros = zeros
            outputs.append(ZerosRead("before", zeros))
            self._enter("steps", outputs)
            return
        self._zeros_after = zeros
        outputs.append(ZerosRead("after", zeros))
        for mark in shift_marks(self._signals.zeros, zeros, self.config.zero):
            self._mark(mark, outputs)
        self._end("complete", outputs)

    def _mark(self, mark: Mark, outputs: list[Output]) -> None:
        self._marks.append(mark)
        self._view = None
        outputs.append(Marked(mark))

    def _end(self, outcome: Outcome, outputs: list[Output]) -> None:
        loose = [p.step + 1 for p in self._in_force().values() if p.hold.broken]
        if loose:
            steps = ", ".join(str(n) for n in sorted(loose))
            # kept marks are held against recomputed ones by their sentence: it does not change with the version
            self._mark(Mark("hold", f"The test pressure did not hold at step {steps}."), outputs)
        apart = disagreement(self._points)
        if apart is not None:
            self._mark(apart, outputs)
        self._outcome = outcome
        self._enter("ended", outputs)
        outputs.append(Ended(outcome))

    def _step_view(self, index: int) -> StepView:
        points = tuple(p for p in self._points if p.step == index)
        state: StepState
        if self._phase == "steps" and index == self._now:
            state = "now"
        elif points:
            state = "taken"
        else:
            state = "skipped" if index in self._skipped else "open"
        return StepView(self._steps[index], state, points)

    # ------------------------------------------------------------ the operator

    def act(self, t_us: int, action: Action) -> list[Output]:
        """Do what the operator asked. Raises :class:`Refused` with a sentence."""
        self._signals.t_us = max(self._signals.t_us, t_us)
        outputs: list[Output] = []
        if self._phase == "ended":
            raise Refused("This pull has ended: begin another one.")
        if action.kind == "abort":
            self._end("aborted", outputs)
        elif action.kind == "pause":
            self._paused = True
        elif action.kind == "go_on":
            # the archive goes on by itself, and knows nothing of valves
            if self._lift_watch.lost and action.by != "archive":
                self._find_zero(outputs)
            self._paused = self._lift_watch.lost
            self._reading.begin_again()
        elif action.kind == "range":
            self._change_range(action.meter_range)
        elif action.kind == "skip":
            self._skip(outputs)
        elif action.kind in ("take", "press"):
            self._take_by_hand(outputs)
        else:
            self._go_back(action, outputs)
        self._view = None
        return outputs

    def _change_range(self, meter_range: str) -> None:
        if meter_range not in self.config.meter.ranges:
            raise Refused(f"There is no meter range {meter_range!r}: use one of {', '.join(self.config.meter.ranges)}.")
        self._signals.change_range(meter_range)
        self._reading.aim(self._steps[self._now])

    def _skip(self, outputs: list[Output]) -> None:
        left_out = self._zero_reader.leave_out(self._signals.zero) if self._reads_zeros else ()
        if left_out:
            sentence = zero_left_out(left_out, before=self._phase == "zero_before")
            self._mark(Mark("zero", sentence), outputs)
        elif self._phase == "zero_before":
            self._mark(Mark("zero", "The zeros were not read before the pull."), outputs)
            self._enter("steps", outputs)
        elif self._phase == "zero_after":
            self._mark(Mark("zero", "The zeros were not read again after the pull."), outputs)
            self._end("complete", outputs)
        else:
            if self._now not in self._in_force():
                self._skipped.add(self._now)
                outputs.append(Skipped(self._now, True))
            self._next_step(outputs)

    def _take_by_hand(self, outputs: list[Output]) -> None:
        if self._paused:
            raise Refused("The pull is paused: go on first, then take the point.")
        if self._phase != "steps":
            raise Refused("Zeros are being read now: there is no point to take. Skip the zero check to leave it out.")
        capture = self._reading.by_hand()
        lift_m = self._signals.latest("lift") if self._with_valve and self.lift_on_press else None
        if not self._take(capture, "hand", outputs, lift_m):
            raise Refused(f"Nothing taken: {self._reading.failed}.")

    def _go_back(self, action: Action, outputs: list[Output]) -> None:
        if self._phase == "zero_before":
            raise Refused("No step has been taken yet.")
        if action.kind == "back":
            target = self._now - 1 if self._phase == "steps" else len(self._steps) - 1
        elif action.step is not None:
            target = action.step
        else:
            if not self._points:
                raise Refused("No step has been taken yet.")
            target = self._points[-1].step
        if not 0 <= target < len(self._steps):
            raise Refused(f"There is no step {target + 1}: the schedule has steps 1 to {len(self._steps)}.")
        if self._phase == "zero_after":
            self._phase = "steps"
        if target in self._skipped:
            self._skipped.discard(target)
            outputs.append(Skipped(target, False))
        self._aim(target)
        outputs.append(Moved(f"back to step {target + 1}"))
