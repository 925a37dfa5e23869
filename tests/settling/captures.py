"""Short stays of several kinds and what is captured of each, as numbers: run it, and another Python can be compared.

``without``: as if there were no compiler to be imported.
"""

import json
import math
import sys
from collections.abc import Callable
from dataclasses import astuple

Law = Callable[[float], float]


def _stays() -> dict[str, tuple[Law, float]]:
    """Area in units of 1e-3 m2 over time, and the half-width wanted."""
    return {
        "falling": (lambda t: 1 + 0.1 * math.exp(-t / 0.5) + 0.0005 * math.sin(57 * t), 0.01),
        "a leak that changes its sign": (lambda t: -1e-3 + 2e-3 * math.sin(41 * t), 0.02),
        "backwards": (lambda t: -1 + 0.0008 * math.sin(31 * t), 0.01),
        "shut": (lambda t: 1e-9 * (int(37 * t) % 3) if t > 0.5 else 0.0, 0.01),
    }


def captures() -> dict[str, list[float | str | bool]]:
    """Fields of the capture of each, and the time of it; one bench after the other."""
    from acquire.config import Settling
    from acquire.stabiliser import Stabiliser
    from acquire.values import Step

    found: dict[str, list[float | str | bool]] = {}
    begin_us = 0
    for name, (law, wanted) in _stays().items():
        stabiliser = Stabiliser(Settling(wanted=wanted, longest_wait_s=3.5))
        stabiliser.aim(begin_us, Step(0.01, 7000.0))
        for i in range(180):
            t = i / 40
            t_us = begin_us + i * 25_000
            if i % 4 == 0:
                stabiliser.push_lift(t_us, 0.01)
            stabiliser.push_pressure(t_us, 7000 * (1 + 0.003 * math.sin(2 * t) + 0.0005 * math.sin(83 * t)))
            stabiliser.push_flow(t_us, 1e-3 * law(t), 0.1 * law(t))
            capture = stabiliser.capture()
            if capture is not None:
                found[name] = [t_us, *astuple(capture)]
                break
        begin_us += 60_000_000
    return found


if __name__ == "__main__":
    if "without" in sys.argv:
        sys.modules["numba"] = None  # type: ignore[assignment]
    its = captures()
    if "without" in sys.argv:
        from acquire import compiled

        assert compiled.numba is None
    json.dump(its, sys.stdout)
