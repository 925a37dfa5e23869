"""Published ways to judge a steady state, for comparison. Each is causal and works on the referred flow.

All but ``Naive`` are given the same witnesses: nothing counts until the lift
and the test pressure have been in place, and the record starts there.
"""

import math
from collections import deque

import numpy as np

from acquire.series import Floats, lag_one, line, n_effective, t_factor
from acquire.values import Capture, Step
from tests.benchmarks.settling.stay import BAND, LIFT_TOLERANCE_M


def cao_rhinehart(x: Floats, l1: float = 0.2, l2: float = 0.1, l3: float = 0.1) -> Floats:
    """Ratio statistic R of each sample from the second on, filters at rest on the first.

    Source: S. Cao & R. R. Rhinehart, J. Process Control 5 (1995) 363. Check:
    10 12 11 13 12 12 -> 1.8, 1.5495652, 2.1481474, 2.0994702, 2.2483253.
    """
    filtered, variance, step = float(x[0]), 0.0, 0.0
    ratios = []
    for before, now in zip(x[:-1].tolist(), x[1:].tolist(), strict=True):
        variance = l2 * (now - filtered) ** 2 + (1 - l2) * variance
        filtered = l1 * now + (1 - l1) * filtered
        step = l3 * (now - before) ** 2 + (1 - l3) * step
        ratios.append((2 - l1) * variance / step if step > 0 else 1.0)
    return np.array(ratios)


def von_neumann(x: Floats) -> float:
    """Sum of squared steps over sum of squares about the mean; 2 for independent samples.

    Source: J. von Neumann, Ann. Math. Stat. 12 (1941) 367.
    """
    d = x - x.mean()
    total = float(d @ d)
    return float(np.sum(np.diff(x) ** 2)) / total if total > 0 else 2.0


def newey_west_slope(t: Floats, x: Floats) -> tuple[float, float]:
    """Least-squares slope and its standard error under autocorrelation.

    Bartlett weights to lag 4 (n/100)^(2/9) or 1. Source: W. K. Newey & K. D. West,
    Econometrica 55 (1987) 703.
    """
    mean, slope = line(t, x)
    tc = t - t.mean()
    score = tc * (x - mean - slope * tc)
    lags = max(1, int(4 * (x.size / 100) ** (2 / 9)))
    total = float(score @ score)
    for lag in range(1, lags + 1):
        total += 2 * (1 - lag / (lags + 1)) * float(score[lag:] @ score[:-lag])
    return slope, math.sqrt(max(total, 0.0)) / float(tc @ tc)


def mser(x: Floats, batch: int = 5) -> int:
    """Where to cut the beginning: least standard error of the batch means that are left.

    Source: K. P. White, Simulation 69 (1997) 323 (MSER-5); cuts at most half.
    """
    means = x[: x.size // batch * batch].reshape(-1, batch).mean(axis=1)
    if means.size < 4:
        return 0
    worth = [float(np.sum((means[d:] - means[d:].mean()) ** 2)) / (means.size - d) ** 2 for d in range(means.size // 2)]
    return int(np.argmin(worth)) * batch


class Method:
    """Witnesses and bookkeeping; a method says what it makes of tenth-of-a-second means."""

    witnessed = True

    def __init__(self, wanted: float) -> None:
        self.wanted = wanted
        self._step: Step | None = None
        self._lift: float | None = None
        self._still_us: int | None = None
        self._inside_us: int | None = None
        self._pressures: deque[float] = deque(maxlen=15)
        self._taken: Capture | None = None
        self._restart()

    def _restart(self) -> None:
        self._t: list[float] = []
        self._x: list[float] = []
        self._sum: list[float] = []
        self._next_us = 0

    def aim(self, t_us: int, step: Step) -> None:
        self._step, self._taken = step, None
        self._restart()

    def push_lift(self, t_us: int, lift_m: float) -> None:
        if self._lift is None or abs(lift_m - self._lift) > 0.75 * LIFT_TOLERANCE_M:
            self._lift, self._still_us = lift_m, t_us
            if self.witnessed:
                self._restart()

    def push_pressure(self, t_us: int, pressure_pa: float) -> None:
        assert self._step is not None
        self._pressures.append(pressure_pa)
        off = abs(float(np.median(self._pressures)) / self._step.test_pressure_pa - 1) if self.witnessed else 0.0
        if off > BAND:
            self._inside_us = None
            self._restart()
        elif self._inside_us is None:
            self._inside_us = t_us

    def push_flow(self, t_us: int, area_m2: float, mass_flow_kg_s: float) -> None:
        assert self._step is not None
        if self._taken is not None or self._lift is None or self._inside_us is None or self._still_us is None:
            return
        assert self._step.lift_m is not None
        if self.witnessed and abs(self._lift - self._step.lift_m) > LIFT_TOLERANCE_M * 1.001:
            return
        self._sum.append(area_m2)
        if t_us < self._next_us:
            return
        self._next_us = t_us + 100_000
        self._t.append(t_us / 1e6)
        self._x.append(float(np.median(self._sum)))
        self._sum.clear()
        if t_us - self._still_us >= 2_000_000 or not self.witnessed:
            self._taken = self.judge(np.array(self._t), np.array(self._x))

    def capture(self) -> Capture | None:
        return self._taken

    def judge(self, t: Floats, x: Floats) -> Capture | None:
        """A capture when the record so far is steady."""
        raise NotImplementedError

    def mean_of(self, t: Floats, x: Floats, naive: bool = False) -> Capture:
        """The mean with its own standard error."""
        n = x.size
        f = 0.0 if naive else min(max(lag_one(x) + (1 + 4 * max(lag_one(x), 0)) / n, 0.0), 0.97)
        independent = max(n_effective(n, f), 2.0)
        u = float(x.std(ddof=1)) / math.sqrt(independent)
        return Capture(
            int(t[0] * 1e6), int(t[-1] * 1e6), float(x.mean()), u, max(independent - 1, 1.0), u, 0.0, 0.0, n,
            independent, 0, True, "",
        )  # fmt: skip

    def narrow(self, capture: Capture) -> bool:
        """Whether the interval wanted has been reached."""
        return t_factor(capture.dof) * capture.standard_uncertainty_m2 <= self.wanted * abs(capture.area_m2)


class Naive(Method):
    """The last 3 s: slope over them and sd below the half-width wanted, naive error, no witness."""

    witnessed = False
    naive = True
    window = 30

    def judge(self, t: Floats, x: Floats) -> Capture | None:
        if x.size < self.window:
            return None
        t, x = t[-self.window :], x[-self.window :]
        _, slope = line(t, x)
        capture = self.mean_of(t, x, self.naive)
        steady = abs(slope) * (t[-1] - t[0]) <= self.wanted * abs(capture.area_m2)
        return capture if steady and self.narrow(capture) else None


class Witnessed(Naive):
    """The same with witnesses and an AR(1) error."""

    witnessed = True
    naive = False


class LongWindow(Witnessed):
    """The same over 10 s."""

    window = 100


class CaoRhinehart(Method):
    """R below 1.44 on 0.5 s medians for ten of them, then their mean."""

    def judge(self, t: Floats, x: Floats) -> Capture | None:
        thin = np.array([float(np.median(x[i : i + 5])) for i in range(0, x.size - 4, 5)])
        if thin.size < 12:
            return None
        if not np.all(cao_rhinehart(thin)[-8:] < 1.44):
            return None
        capture = self.mean_of(t[-40:], x[-40:])
        return capture if self.narrow(capture) else None


class TwoWindows(Method):
    """Two adjacent windows of 2 s whose means agree within their errors (effective sample sizes)."""

    def judge(self, t: Floats, x: Floats) -> Capture | None:
        if x.size < 40:
            return None
        first, second = self.mean_of(t[-40:-20], x[-40:-20]), self.mean_of(t[-20:], x[-20:])
        apart = abs(first.area_m2 - second.area_m2)
        if apart > 2 * math.hypot(first.standard_uncertainty_m2, second.standard_uncertainty_m2):
            return None
        capture = self.mean_of(t[-40:], x[-40:])
        return capture if self.narrow(capture) else None


class VonNeumann(Method):
    """Ratio of the last 4 s, thinned to 0.4 s, no lower than its 5 % limit."""

    def judge(self, t: Floats, x: Floats) -> Capture | None:
        if x.size < 40:
            return None
        thin = x[-40:].reshape(-1, 4).mean(axis=1)
        n = thin.size
        if von_neumann(thin) < 2 - 1.645 * 2 * math.sqrt((n - 2) / (n * n - 1)):
            return None
        capture = self.mean_of(t[-40:], x[-40:])
        return capture if self.narrow(capture) else None


class NeweyWest(Method):
    """Equivalence: slope plus 1.65 errors, times the slowest time constant (3 s), within the half-width wanted."""

    def judge(self, t: Floats, x: Floats) -> Capture | None:
        best = None
        for length in (30, 60, 120, 240):
            if x.size < length:
                break
            capture = self.mean_of(t[-length:], x[-length:])
            slope, error = newey_west_slope(t[-length:], x[-length:])
            if (abs(slope) + 1.65 * error) * 3.0 <= self.wanted * abs(capture.area_m2) and self.narrow(capture):
                best = capture
        return best


class Mser(Method):
    """MSER-5 chooses where the average starts; taken when what is left is narrow enough."""

    def judge(self, t: Floats, x: Floats) -> Capture | None:
        if x.size < 30:
            return None
        cut = mser(x)
        capture = self.mean_of(t[cut:], x[cut:])
        return capture if self.narrow(capture) and x.size - cut >= 20 else None


METHODS: dict[str, type[Method]] = {
    "3 s window, slope and sd, naive error": Naive,
    "the same, witnesses, AR(1) error": Witnessed,
    "10 s window, witnesses, AR(1) error": LongWindow,
    "Cao & Rhinehart 1995 on 0.5 s medians": CaoRhinehart,
    "two adjacent windows, effective n": TwoWindows,
    "von Neumann ratio, thinned": VonNeumann,
    "slope equivalence, Newey & West 1987": NeweyWest,
    "MSER-5 (White 1997)": Mser,
}
