"""The judgement itself: witnesses first, then what is left of the approach, then the scatter."""

import math

import numpy as np

from acquire.config import Settling
from acquire.series import lag_one, line, n_effective, t_factor
from acquire.stabiliser.blocks import BLOCK_US, Block, Blocks
from acquire.stabiliser.witness import STILL_US, LiftWitness, PressureWitness
from acquire.values import Capture, Missing, Standing, StandingState, Step

_SILENT_US = 2_000_000
_KEEP = 6500
_SLOWEST_S = 3.0
_CREEP_REL = 0.0005
_SKIP_US = 300_000


class Stabiliser:
    """Causal, incremental, pure: no clock, no I/O; the same code live and in replay.

    All decisions depend on the time stamps that are pushed, never on the
    moment of the call. Push in order of time, within a signal.
    """

    def __init__(self, settings: Settling) -> None:
        self._settings = settings
        self._step: Step | None = None
        self._lift = LiftWitness(settings.lift_tolerance_m)
        self._pressure = PressureWitness(settings.test_pressure_band)
        self._pressures: list[float] = []
        self._flow = Blocks()
        self._blocks: list[Block] = []
        self._close_us = 0
        self._last_flow_us: int | None = None
        self._last_pressure_us: int | None = None
        self._begun_us: int | None = None
        self._still_same_us: int | None = None
        self._capture: Capture | None = None
        self._standing = Standing("waiting", ("signal",), detail="no step asked for")

    # ------------------------------------------------------------ what comes in

    def aim(self, t_us: int, step: Step) -> None:
        """A new target from ``t_us`` on; whatever was captured is dropped."""
        self._step = step
        self._lift.aim(step.lift_m)
        self._pressure.aim(step)
        self._capture = None
        self._begun_us = None
        self._blocks.clear()
        self._standing = Standing("waiting", ("signal",), detail="waiting for the first samples")
        self._tick(t_us)

    def push_lift(self, t_us: int, lift_m: float) -> None:
        """One sample of the valve lift."""
        self._lift.push(t_us, lift_m)
        if t_us >= self._close_us:
            self._tick(t_us)

    def push_pressure(self, t_us: int, pressure_pa: float) -> None:
        """One sample of the test pressure."""
        self._pressures.append(pressure_pa)
        self._last_pressure_us = t_us
        if t_us >= self._close_us:
            self._tick(t_us)

    def push_flow(self, t_us: int, area_m2: float, mass_flow_kg_s: float) -> None:
        """One sample of the flow, as the area referred to the test pressure of the same moment."""
        self._flow.push(t_us, area_m2, mass_flow_kg_s)
        self._last_flow_us = t_us
        if t_us >= self._close_us:
            self._tick(t_us)

    # ------------------------------------------------------------ what is said

    def standing(self) -> Standing:
        """Where the judgement stands now."""
        return self._standing

    def capture(self) -> Capture | None:
        """The accepted reading, exactly while the standing is settled."""
        return self._capture

    def capture_now(self) -> Capture | None:
        """The best reading to be had by hand now; None without any flow samples."""
        if self._capture is not None:
            return self._capture
        if not self._blocks:
            return None
        recent = self._blocks[-30:]
        return self._reading(recent, False, "taken by hand before it had settled")

    # ------------------------------------------------------------ the judgement

    def _tick(self, t_us: int) -> None:
        start_us = self._close_us - BLOCK_US
        self._close_us = (t_us // BLOCK_US + 1) * BLOCK_US
        if self._pressures:
            self._pressure.block(max(start_us, 0), float(np.median(self._pressures)))
            self._pressures.clear()
        block = self._flow.close()
        if block is not None:
            self._blocks.append(block)
            del self._blocks[:-_KEEP]
            if block.changed or self._still_same_us is None:
                self._still_same_us = block.t_end_us
        if self._step is not None:
            self._judge(t_us)

    def _judge(self, now_us: int) -> None:
        moving: list[Missing] = []
        lift_since = self._lift.settled_since_us()
        pressure_since = self._pressure.inside_since_us
        silent = [
            last is None or now_us - last > _SILENT_US
            for last in (
                self._last_flow_us,
                self._last_pressure_us,
                self._lift.last_us if self._lift.watched else now_us,
            )
        ]
        if any(silent):
            self._lose("waiting", ("signal",), "no samples from an instrument")
            return
        if lift_since is None:
            moving.append("lift")
        if pressure_since is None:
            moving.append("test pressure")
        if lift_since is None or pressure_since is None:
            self._lose("moving", tuple(moving), f"waiting for {' and '.join(moving)}")
            return
        if self._capture is not None:
            return
        if self._still_same_us is not None and now_us - self._still_same_us > 800_000:
            self._begun_us = None
            self._standing = Standing(
                "stuck", ("frozen",), detail="the flow reading has stopped changing: it looks frozen"
            )
            return
        start_us = max(lift_since, pressure_since)
        if self._begun_us is None or start_us > self._begun_us:
            self._begun_us = start_us
        self._weigh(now_us, start_us)

    def _lose(self, state: StandingState, missing: tuple[Missing, ...], detail: str) -> None:
        self._capture = None
        self._begun_us = None
        self._standing = Standing(state, missing, detail=detail)

    def _weigh(self, now_us: int, start_us: int) -> None:
        usable = [b for b in self._blocks if b.t_start_us >= start_us + _SKIP_US]
        begun = self._begun_us if self._begun_us is not None else now_us
        waited_s = (now_us - begun) / 1e6
        if len(usable) < 15 or now_us - start_us < STILL_US:
            self._standing = Standing("settling", ("readings",), remaining_s=max(0.0, 2.0 - waited_s))
            return
        best: Capture | None = None
        for share in (1.0, 0.7, 0.5, 0.35, 0.25):
            length = int(share * len(usable))
            if length < 15:
                break
            reading = self._reading(usable[-length:], True, "settled")
            if best is None or _half(reading) < _half(best):
                best = reading
        assert best is not None
        half_rel = _half(best) / max(abs(best.area_m2), 1e-12)
        drift = best.drift_m2_per_s / max(abs(best.area_m2), 1e-12) * 60
        if half_rel <= self._settings.wanted:
            self._take(best, half_rel, drift)
        elif waited_s >= self._settings.longest_wait_s:
            wanted, wait = 100 * self._settings.wanted, self._settings.longest_wait_s
            reason = f"too unsteady for {wanted:.2g} % in {wait:.0f} s: taken with {100 * half_rel:.2g} %"
            self._take(
                self._reading(usable[-best.n :] if best.n < len(usable) else usable, False, reason), half_rel, drift
            )
        else:
            scatter = t_factor(best.dof) * best.noise_m2 / math.sqrt(max(best.n_independent, 1.0))
            missing: Missing = "noise" if scatter / max(abs(best.area_m2), 1e-12) > self._settings.wanted else "drift"
            left = waited_s * ((half_rel / self._settings.wanted) ** 2 - 1)
            self._standing = Standing(
                "settling",
                (missing,),
                remaining_s=min(left, self._settings.longest_wait_s - waited_s),
                half_width_rel=half_rel,
                drift_rel_per_min=drift,
            )

    def _take(self, capture: Capture, half_rel: float, drift: float) -> None:
        self._capture = capture
        self._standing = Standing("settled", (), 0.0, half_rel, drift, capture.reason)

    def _reading(self, blocks: list[Block], reached: bool, reason: str) -> Capture:
        t = np.array([b.t_mean_us for b in blocks]) / 1e6
        x = np.array([b.area_m2 for b in blocks])
        mean, slope = line(t, x)
        rest = x - mean - slope * (t - t.mean())
        n = len(blocks)
        f = min(max(lag_one(rest) + 4 / n, 0.3), 0.97)
        independent = max(n_effective(n, f), 1.5)
        sd = math.sqrt(float(rest @ rest) / max(n - 2, 1)) * math.sqrt(independent / max(independent - 1, 0.5))
        scatter = sd / math.sqrt(independent)
        span = float(t[-1] - t[0]) if n > 1 else 1.0
        slope_error = math.sqrt(12) * scatter / max(span, 0.1)
        left = (abs(slope) + 1.65 * slope_error) * (_SLOWEST_S + span / 2)
        dof = max(independent - 1, 2.0)
        return Capture(
            t_start_us=blocks[0].t_start_us,
            t_end_us=blocks[-1].t_end_us,
            area_m2=mean,
            standard_uncertainty_m2=math.sqrt(scatter**2 + (left / 2.5) ** 2 + (_CREEP_REL * mean) ** 2),
            dof=dof,
            noise_m2=sd,
            correlation_time_s=-0.1 / math.log(f),
            drift_m2_per_s=slope,
            n=sum(b.n for b in blocks),
            n_independent=independent,
            rejected=sum(b.rejected for b in blocks),
            reached=reached,
            reason=reason,
        )


def _half(capture: Capture) -> float:
    return t_factor(capture.dof) * capture.standard_uncertainty_m2
