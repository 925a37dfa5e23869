"""How the reading of one step comes about: judged while it settles, or typed. Pure."""

from dataclasses import replace

from acquire.config import BenchConfig, Settling
from acquire.flow.model import FlowModel
from acquire.leakage.run import judged_beside_m2
from acquire.lifts import inside
from acquire.pull.signals import Signals
from acquire.pull.stretches import Sightings, Stretches
from acquire.pull.typed_step import MOVED, STANDING, TypedStep, awaiting
from acquire.records import PullRequest, Refused
from acquire.response import BenchResponse
from acquire.stabiliser import Stabiliser
from acquire.values import Capture, Channel, Standing, Step

_LEAKAGE_BAND = 0.005


class StepReading:
    """Fed with a step's samples, zero-corrected and kept in ``signals``; says what is awaited, and what can be taken.

    ``failed``: why a reading was not used; empty where none failed.
    """

    def __init__(
        self,
        config: BenchConfig,
        request: PullRequest,
        signals: Signals,
        response: BenchResponse | None,
        step: Step,
    ) -> None:
        self._signals = signals
        self._with_valve = request.kind == "lift"
        # what counts as settled in this pull
        self.settling = _settling(config, request)
        self._typing = TypedStep(signals.typed, self._with_valve)
        # the response was measured with a valve: a closed plenum or a plate answers otherwise
        self._stabiliser = Stabiliser(self.settling, response if self._with_valve else None)
        # a leak may be next to nothing: it is judged together with an area of known size
        self._beside_m2 = judged_beside_m2(config) if request.kind == "leakage" else 0.0
        self.aim(step)

    def aim(self, step: Step) -> None:
        """The step that is read from now on."""
        self._step = step
        self.failed = ""
        self.begin_again()

    def begin_again(self) -> None:
        """The same step anew: what came in so far does not count for it."""
        self._aimed = False
        self._typing.begin()

    # ------------------------------------------------------------ what others may ask

    @property
    def typed(self) -> tuple[Channel, ...]:
        """The channels that a person types, in the order in which they are asked for."""
        return self._typing.channels

    @property
    def awaited(self) -> tuple[str, ...]:
        """What is to be typed now, the first of it first."""
        if not self._typing.channels:
            return ()
        return self._typing.awaited(self._step, self.settling.lift_tolerance_m, self.band_pa)

    @property
    def typed_last(self) -> str:
        """The channel that was typed last in this step; empty where none was."""
        return self._typing.latest

    def typed_value(self, channel: str) -> float | None:
        """What was typed in this step, in SI with its zero subtracted; None where nothing was."""
        return self._typing.value(channel)

    @property
    def band_pa(self) -> float:
        """Half the width of the band about the step's test pressure."""
        return self._step.test_pressure_pa * self.settling.test_pressure_band

    @property
    def has_settled(self) -> bool:
        """Whether the stabiliser accepts what it sees now."""
        return self._stabiliser.capture() is not None

    @property
    def fault(self) -> str:
        """Why there is no flow, or why a settled reading cannot be taken; empty when nothing is wrong."""
        settled = not self.awaited and self.has_settled
        signals = self._signals
        # what could not be used is over where it settles anew; a typed value stands until it is typed again
        failed = self.failed if settled or self._typing.channels else ""
        return signals.fault or signals.end_fault() or signals.range_fault(settled) or failed

    @property
    def learned(self) -> BenchResponse:
        """What the steps so far have shown of the bench's response."""
        return self._stabiliser.learned

    def standing(self) -> Standing:
        """The judgement at this moment."""
        if self._typing.with_meter:
            return STANDING
        awaited = self.awaited
        return awaiting(awaited[0]) if awaited else self._stabiliser.standing()

    # ------------------------------------------------------------ what comes in

    def push(self, channel: str, t_us: int, value: float) -> bool:
        """One measured sample; whether it is looked at."""
        if self._typing.channels and self.awaited:
            # the valve may move unseen until its lift is typed: the stabiliser is told nothing of that time
            if channel == "meter_pressure":
                self._signals.flow(t_us, value)
            return False
        if not self._aimed:
            self._stabiliser.aim(t_us, self._witnessed())
            self._aimed = True
        if channel == "test_pressure":
            self._stabiliser.push_pressure(t_us, value)
        elif channel == "meter_pressure":
            return self._push_flow(t_us, value)
        elif self._signals.lift_on_press:
            return False
        else:
            self._stabiliser.push_lift(t_us, value)
        return True

    def _push_flow(self, t_us: int, meter_pressure_pa: float) -> bool:
        flow = self._signals.flow(t_us, meter_pressure_pa)
        if flow is None:
            return False
        area_m2, mass_flow = self._beside(*flow, self._signals.model()) if self._signals.reads_leak else flow
        if "test_pressure" in self.typed:
            # that it was in place when it was typed is all that is known of it
            self._stabiliser.push_pressure(t_us, self._step.test_pressure_pa)
        self._stabiliser.push_flow(t_us, area_m2, mass_flow)
        return True

    def only_collects(self, held: bool) -> bool:
        """Whether nothing is looked at until the stabiliser's next block is full; ``held``: nothing is taken anyway."""
        if not self._aimed or self._typing.channels:
            return False
        # a settled reading waits for the next flow sample that lets it be taken
        return held or self._signals.lift_on_press or not self.has_settled

    def use(self, its: Stretches, at: int, end: int) -> tuple[int, Sightings]:
        """Use the samples of a batch from ``at`` up to ``end`` or to a settled reading; where, and the lifts in them.

        With ``end`` at ``at`` or before: those that are only collected.
        """
        if end <= at:
            end = its.collected_until(at, self._stabiliser.collects_until_us)
        beside = self._beside if self._signals.reads_leak else None
        return its.use(at, end, self._stabiliser, not self._signals.lift_on_press, beside)

    def type(self, channel: str, t_us: int, value: float, held: bool) -> Capture | None:
        """A typed value: the record of the flow counts from it on; with the meter typed, the reading it completes."""
        self._typing.put(channel, t_us, value)
        self.failed = ""
        if not self._typing.with_meter:
            self._stabiliser = Stabiliser(self.settling, self._stabiliser.learned)
            self._aimed = False
            return None
        if held or self.awaited:
            return None
        self.failed = self._off_beside()
        return None if self.failed else self._captured()

    def _witnessed(self) -> Step:
        unseen = self._signals.lift_on_press or "lift" in self.typed
        return replace(self._step, lift_m=None) if unseen else self._step

    def _beside(self, area_m2: float, mass_flow: float, model: FlowModel | None) -> tuple[float, float]:
        """Area and mass flow of a leak as they are judged."""
        if model is not None:
            mass_flow += self._beside_m2 * model.port_flux_kg_s_m2(self._step.test_pressure_pa)
        return area_m2 + self._beside_m2, mass_flow

    def _off_beside(self) -> str:
        """What is measured beside a typed meter and was not in place when it was typed; empty when all was."""
        silent = self._silent()
        if silent is not None:
            return f"no {silent.replace('_', ' ')} reading: check its cable, then type again"
        step = self._step
        start_us = self._typing.window_from_us()
        pressure, lift = (self._signals.measured_since(name, start_us) for name in ("test_pressure", "lift"))
        if pressure is not None and not inside(pressure - step.test_pressure_pa, self.band_pa):
            return "the test pressure was not in its band: bring it there, then type the meter again"
        tolerance_m = self.settling.lift_tolerance_m
        if step.lift_m is not None and lift is not None and not inside(lift - step.lift_m, tolerance_m):
            return "the lift was not at the step: set it, then type the meter again"
        return ""

    # ------------------------------------------------------------ what can be taken

    def settled(self) -> Capture | None:
        """The reading that is settled and can be taken, at a flow sample; None while there is none."""
        if self._signals.lift_on_press or self.awaited:
            return None
        capture = self._captured()
        if capture is None or self._silent() is not None:
            return None
        if "lift" in self.typed and self._signals.moved_in(capture, 2 * self.settling.wanted):
            self._typing.forget("lift")
            self.failed = MOVED
            return None
        return capture

    def by_hand(self) -> Capture:
        """The best reading to be had at this moment. Raises :class:`Refused` with a sentence."""
        missing = self._typing.missing()
        if missing:
            raise Refused(f"Nothing taken: type the {missing[0].replace('_', ' ')} first.")
        silent = self._silent()
        if silent is not None:
            raise Refused(f"Nothing taken: no {silent.replace('_', ' ')} reading for over a second. Check its cable.")
        if self._with_valve:
            self._refuse_away_from_step()
        capture = self._captured(now=True)
        if capture is None:
            raise Refused("Nothing taken: no flow readings at this step yet.")
        return capture

    def _refuse_away_from_step(self) -> None:
        lift_m, step_m = self._signals.latest("lift"), self._step.lift_m
        if lift_m is None:
            raise Refused("Nothing taken: the lift indicator has not sent a reading yet.")
        assert step_m is not None
        if not inside(lift_m - step_m, self.settling.lift_tolerance_m):
            raise Refused(
                f"Nothing taken: the lift is {lift_m / 0.0254:.4f} in ({lift_m * 1e3:.3f} mm), "
                f"the step is {step_m / 0.0254:.4f} in ({step_m * 1e3:.3f} mm)."
            )

    def _captured(self, now: bool = False) -> Capture | None:
        """The settled reading; with ``now`` the best to be had at this moment."""
        if self._typing.with_meter:
            return self._typed_capture()
        capture = self._stabiliser.capture_now() if now else self._stabiliser.capture()
        if capture is None or not self._beside_m2:
            return capture
        return replace(capture, area_m2=capture.area_m2 - self._beside_m2)

    def _typed_capture(self) -> Capture | None:
        meter_pressure_pa = self._typing.value("meter_pressure")
        if meter_pressure_pa is None:
            return None
        try:
            start_us = self._typing.window_from_us()
            area_m2, sd_rel = self._signals.typed_area(self._signals.t_us, meter_pressure_pa, start_us)
        except ValueError as error:
            self.failed = str(error)
            return None
        return self._typing.capture(area_m2, sd_rel)

    def _silent(self) -> str | None:
        return self._signals.silent(self._with_valve)


def _settling(config: BenchConfig, request: PullRequest) -> Settling:
    """A leak is small and needs no fine interval relative to itself."""
    if request.kind != "leakage":
        return config.settling
    wanted = max(config.settling.wanted, config.leakage.wanted)
    # the plenum fills through the meter while its pressure creeps: much beside a leak, nothing beside a port
    band = min(config.settling.test_pressure_band, _LEAKAGE_BAND)
    return config.settling.model_copy(update={"wanted": wanted, "test_pressure_band": band})
