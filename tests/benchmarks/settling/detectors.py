"""The stabiliser as it is compared: fresh, with the bench measured beforehand, and told the truth."""

import numpy as np

from acquire.config import Settling
from acquire.response import BenchResponse, Mode
from acquire.stabiliser import Stabiliser
from acquire.values import Step
from tests.benchmarks.settling.methods import METHODS, Method
from tests.benchmarks.settling.scene import BIGGEST_M2, BenchTraits, curve_m2
from tests.benchmarks.settling.score import Bench, Detector, Maker
from tests.benchmarks.settling.stay import Cell, Stay
from tests.settling.learning import StepRecord, learn_response


def settings(cell: Cell) -> Settling:
    """What the operator asks for."""
    return Settling(wanted=cell.wanted)


def fresh(cell: Cell, bench: Bench, ready: Stay) -> Detector:
    """A bench that has not been measured: the first pull on it learns from step to step."""
    return Stabiliser(settings(cell))


def ours(cell: Cell, bench: Bench, ready: Stay) -> Detector:
    """The bench's response was measured by one step when it was made ready, as the engine does."""
    try:
        learned = learn_response(step_record(ready), settings(cell))
    except ValueError:
        learned = None
    return Stabiliser(settings(cell), learned)


class Told:
    """Told the response of every step, however it changes with flow; noise as measured by the same step beforehand."""

    def __init__(self, cell: Cell, bench: BenchTraits, ready: Stay) -> None:
        self._cell = cell
        self._bench = bench
        try:
            self._before = learn_response(step_record(ready), settings(cell))
        except ValueError:
            self._before = BenchResponse(modes=())
        self._judge = Stabiliser(settings(cell), self._told(None))

    def _told(self, step: Step | None) -> BenchResponse:
        if step is None or step.lift_m is None:
            return self._before
        area = float(curve_m2(step.lift_m))
        tau = self._bench.tau_s * (BIGGEST_M2 / area) ** self._bench.tau_power
        damping = None if self._bench.order == 1 else self._bench.damping
        # nobody is told how it differs from step to step
        modes = tuple(
            Mode(time_constant_s=tau * float(np.exp(off)), damping=damping, share=float(np.exp(-50 * off**2)))
            for off in np.linspace(-0.3, 0.3, 13)
        )
        return self._before.model_copy(update={"modes": modes})

    def aim(self, t_us: int, step: Step) -> None:
        self._before = self._judge.learned
        self._judge = Stabiliser(settings(self._cell), self._told(step))
        self._judge.aim(t_us, step)
        self.push_lift = self._judge.push_lift
        self.push_pressure = self._judge.push_pressure
        self.push_flow = self._judge.push_flow
        self.capture = self._judge.capture


def published(method: type[Method]) -> Maker:
    """A published method as a maker."""

    def make(cell: Cell, bench: Bench, ready: Stay) -> Detector:
        return method(cell.wanted)

    return make


PUBLISHED: dict[str, Maker] = {name: published(method) for name, method in METHODS.items()}


def step_record(stay: Stay) -> StepRecord:
    """A stay as one recorded step."""
    return StepRecord(
        stay.step,
        stay.lift_us.tolist(),
        stay.lift_m.tolist(),
        stay.flow_us.tolist(),
        stay.pressure_pa.tolist(),
        stay.flow_us.tolist(),
        stay.area_m2.tolist(),
        stay.mass_kg_s.tolist(),
    )
