"""What keeps a real signal from standing still."""

import math
import random

from sim.scenario import Scenario


class Correlated:
    """First-order autocorrelated noise of mean 0 and standard deviation 1."""

    def __init__(self, correlation_time_s: float, step_s: float, rng: random.Random) -> None:
        self._keep = math.exp(-step_s / correlation_time_s)
        self._kick = math.sqrt(1.0 - self._keep**2)
        self._gauss = rng.gauss
        self.value = self._gauss(0.0, 1.0)

    def step(self) -> float:
        """The next value."""
        self.value = self._keep * self.value + self._kick * self._gauss(0.0, 1.0)
        return self.value


class Hunting:
    """A pressure that swings for stretches of 15 s, not quite periodically, and is quiet in between."""

    STRETCH_S = 15.0

    def __init__(self, scenario: Scenario, step_s: float, rng: random.Random) -> None:
        self._scenario = scenario
        self._step_s = step_s
        self._rng = rng
        self._left_s = 0.0
        self._phase = 0.0
        self._rate = 1.0
        self._wanted = 0.0
        self._amplitude = 0.0

    def step(self) -> float:
        """The relative swing now."""
        if self._scenario.hunting_share <= 0.0:
            return 0.0
        self._left_s -= self._step_s
        if self._left_s <= 0.0:
            self._left_s = self.STRETCH_S
            hunts = self._rng.random() < self._scenario.hunting_share
            self._wanted = self._rng.uniform(*self._scenario.hunting_rel) if hunts else 0.0
            self._rate = 2.0 * math.pi / self._rng.uniform(*self._scenario.hunting_period_s)
        if self._wanted == 0.0 and self._amplitude < 1e-5:
            return 0.0
        self._amplitude += self._step_s * (self._wanted - self._amplitude)
        self._phase += self._step_s * self._rate * (1.0 + 0.5 * self._rng.gauss(0.0, 1.0))
        return self._amplitude * math.sin(self._phase)
