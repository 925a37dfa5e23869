"""Have all compiled that a judgement needs, before anybody waits for it."""

from acquire.compiled import say_all_is_there
from acquire.config import Settling
from acquire.stabiliser.judge import Stabiliser
from acquire.values import Step

_LIFT_M, _PRESSURE_PA, _AREA_M2 = 0.005, 7000.0, 1e-3


def prepare() -> bool:
    """Judge an invented stay: a fraction of a second; at the first start after an update, half a minute.

    Whether it was settled, as it must be.
    """
    stabiliser = Stabiliser(Settling())
    stabiliser.aim(0, Step(_LIFT_M, _PRESSURE_PA))
    for i in range(150):
        t_us, off = i * 100_000, 1e-3 * (-1) ** i
        stabiliser.push_lift(t_us, _LIFT_M)
        stabiliser.push_pressure(t_us, _PRESSURE_PA * (1 + off))
        stabiliser.push_flow(t_us, _AREA_M2 * (1 + off), 0.1 * (1 + off))
        stabiliser.standing()
        if stabiliser.capture() is not None:
            say_all_is_there()
            return True
    return False
