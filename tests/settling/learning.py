"""What one recorded step shows of a bench, for tests and for the detector that is told it beforehand."""

from collections.abc import Sequence
from dataclasses import dataclass

from acquire.config import Settling
from acquire.response import BenchResponse
from acquire.stabiliser.judge import Stabiliser
from acquire.values import Step


@dataclass(frozen=True, slots=True)
class StepRecord:
    """One step as it was recorded, from before the valve moved until the flow was steady.

    Plain numbers, each signal in order of time: microseconds, m, Pa, and of the
    flow the effective area in m2 and the mass flow in kg/s, as in a pull.
    """

    step: Step
    lift_t_us: Sequence[int]
    lift_m: Sequence[float]
    pressure_t_us: Sequence[int]
    pressure_pa: Sequence[float]
    flow_t_us: Sequence[int]
    area_m2: Sequence[float]
    mass_flow_kg_s: Sequence[float]


def learn_response(record: StepRecord, settings: Settling, before: BenchResponse | None = None) -> BenchResponse:
    """The bench's response and noise by this step, and by what was known ``before``.

    Pure: the record is judged as in a pull, up to where its reading settles. Raises
    ``ValueError`` with one sentence when it never does.
    """
    stabiliser = Stabiliser(settings, before)
    moments = [(t, 0, i) for i, t in enumerate(record.lift_t_us)]
    moments += [(t, 1, i) for i, t in enumerate(record.pressure_t_us)]
    moments += [(t, 2, i) for i, t in enumerate(record.flow_t_us)]
    moments.sort()
    if moments:
        stabiliser.aim(moments[0][0], record.step)
    for t_us, signal, i in moments:
        if signal == 0:
            stabiliser.push_lift(t_us, record.lift_m[i])
        elif signal == 1:
            stabiliser.push_pressure(t_us, record.pressure_pa[i])
        else:
            stabiliser.push_flow(t_us, record.area_m2[i], record.mass_flow_kg_s[i])
            if stabiliser.capture() is not None:
                return stabiliser.learned
    standing = stabiliser.standing()
    said = standing.detail or " and ".join(standing.missing)
    raise ValueError(f"The step shows no response: its reading did not settle ({said}). Record a longer one.")
