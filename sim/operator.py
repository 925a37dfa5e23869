"""The simulated operator: turns the valve, sets the test pressure, changes the set-up, all as a person does.

A script is a generator that yields once a step of the plant; a new wish
starts a new script from wherever the hands are.
"""

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from sim.air import INCH_M
from sim.build import BLOWER_HEAD_PA, STATED_RANGES, Built, Direction
from sim.physics import STEP_S, Plant
from sim.scenario import Scenario

Fitted = Literal["head", "blank plate", "reference plate"]
Doing = Literal["holding", "reacting", "changing", "moving", "paused", "wrong lift", "touching", "sagging"]
RESIDUAL_LIMIT_M = 0.001 * INCH_M
HIGHEST_LIFT_M = 0.85 * INCH_M


@dataclass(frozen=True, slots=True)
class Wish:
    """What the operator was asked for last. Lift and pressure of None: never asked, off."""

    lift_m: float | None = None
    test_pressure_pa: float = 0.0
    direction: Direction = "intake"
    meter_range: str = "large"
    fitted: Fitted = "head"


class Operator:
    """Public: ``lift_m`` (true), ``bump_m`` (by how much the indicator was knocked aside), ``wish``, ``fitted``,
    what hand and eye do on valve and pressure."""

    def __init__(self, plant: Plant, built: Built, scenario: Scenario, rng: random.Random) -> None:
        self._plant = plant
        self._built = built
        self._scenario = scenario
        self._habits = scenario.habits
        self._mishaps = scenario.mishaps
        self._rng = rng
        self.wish = Wish()
        self.fitted: Fitted = "head"
        self.lift_m = 0.0
        self.bump_m = 0.0
        self.lift_doing: Doing = "holding"
        self.pressure_doing: Doing = "holding"
        self._aim_m: float | None = 0.0
        self._seen_pa = 0.0
        self._creep_left_s = 0.0
        self._creep_for_s = 1.0
        self._creep_rel = 0.0
        self._script: Iterator[None] = self._watch()

    def follow(self, wants: dict[str, object]) -> None:
        """Take a new wish; keys left out, None or empty keep what was asked before, except the pressure.

        :raises ValueError: an unknown key or an impossible value
        """
        wish = _read(wants, self.wish)
        if wish != self.wish:
            self.wish = wish
            self.bump_m = 0.0
            self.lift_doing = self.pressure_doing = "reacting"
            self._script = self._obey()

    def place(self, wants: dict[str, object]) -> None:
        """Be where the wish wants it, with the usual scatter of hand and eye.

        :raises ValueError: an unknown key or an impossible value
        """
        self.wish = wish = _read(wants, self.wish)
        plant, habits = self._plant, self._habits
        self.fitted, plant.direction, plant.meter_range = wish.fitted, wish.direction, wish.meter_range
        lift_m = wish.lift_m or 0.0
        self.lift_m = lift_m + self._residual_m() if lift_m > 0.0 else 0.0
        self._aim_m = lift_m
        scatter = self._rng.gauss(0.0, habits.pressure_scatter_rel)
        plant.source_pa = self._seen_pa = min(wish.test_pressure_pa * (1.0 + scatter), BLOWER_HEAD_PA)
        self._creep_left_s = 0.0
        self.lift_doing = self.pressure_doing = "holding"
        self._script = self._watch()
        plant.port_m2 = self.area_m2(self.lift_m)

    def step(self) -> None:
        """One step of hands and eyes; sets the plant's inputs."""
        plant = self._plant
        self._seen_pa += STEP_S / 0.5 * (plant.test_pressure_pa - self._seen_pa)
        next(self._script)
        self._creep()
        plant.port_m2 = self.area_m2(self.lift_m)

    def area_m2(self, lift_m: float) -> float:
        """True effective area of what is fitted, were the lift ``lift_m``."""
        if self.fitted == "head":
            return self._built.ports[self._plant.direction].area_m2(lift_m)
        return self._built.reference_plate_m2 if self.fitted == "reference plate" else 0.0

    # ------------------------------------------------------------ scripts

    def _obey(self) -> Iterator[None]:
        rng, habits, plant, wish = self._rng, self._habits, self._plant, self.wish
        yield from self._wait(rng.uniform(*habits.reaction_s))
        yield from self._perhaps_wait(self._mishaps.walk_away_share, self._mishaps.walk_away_s)
        change = (self.fitted, plant.direction, plant.meter_range) != (wish.fitted, wish.direction, wish.meter_range)
        if plant.source_pa > 0.0 and (change or wish.test_pressure_pa == 0.0):
            yield from self._stop_blower()
        if change:
            self.lift_doing = self.pressure_doing = "changing"
            yield from self._wait(rng.uniform(*habits.change_s))
            self.fitted, plant.direction, plant.meter_range = wish.fitted, wish.direction, wish.meter_range
        if wish.lift_m is not None and wish.lift_m != self._aim_m:
            yield from self._set_lift(wish.lift_m)
        self.lift_doing = "holding"
        if wish.test_pressure_pa > 0.0:
            yield from self._perhaps_wait(self._mishaps.late_trim_share, self._mishaps.late_trim_s)
            yield from self._set_pressure(wish.test_pressure_pa)
        self.pressure_doing = "holding"
        if wish.test_pressure_pa > 0.0 and self.lift_m > 0.0:
            yield from self._mishaps_of_a_stay()
        yield from self._watch()

    # ------------------------------------------------------------ mishaps

    def _happens(self, share: float) -> bool:
        # without mishaps nothing is drawn: a bench without them stays what it was
        return share > 0.0 and self._rng.random() < share

    def _perhaps_wait(self, share: float, seconds: tuple[float, float]) -> Iterator[None]:
        if self._happens(share):
            yield from self._wait(self._rng.uniform(*seconds))

    def _mishaps_of_a_stay(self) -> Iterator[None]:
        rng, its = self._rng, self._mishaps
        for share, mishap in (
            (its.touch_share, self._touch),
            (its.bump_share, self._bump),
            (its.sag_share, self._let_sag),
        ):
            if self._happens(share):
                yield from self._wait(rng.uniform(*its.after_s))
                yield from mishap()

    def _touch(self) -> Iterator[None]:
        """A hand on the screw: the valve goes a little and is brought back."""
        rng, its = self._rng, self._mishaps
        back_m = self.lift_m
        seconds = rng.uniform(*its.touch_s)
        yield from self._turn(back_m + rng.choice((-1.0, 1.0)) * rng.uniform(*its.touch_m), 0.25)
        self.lift_doing = "touching"
        yield from self._wait(seconds)
        yield from self._turn(back_m, 0.4)
        self.lift_doing = "holding"

    def _bump(self) -> Iterator[None]:
        """The indicator is knocked aside and springs back; the valve stays."""
        rng, its = self._rng, self._mishaps
        self.bump_m = rng.choice((-1.0, 1.0)) * rng.uniform(*its.bump_m)
        yield from self._wait(rng.uniform(*its.bump_s))
        self.bump_m = 0.0

    def _let_sag(self) -> Iterator[None]:
        """The pressure runs down while nobody looks; whoever looks again sees it, see :meth:`_watch`."""
        rng, its, plant = self._rng, self._mishaps, self._plant
        start_pa, sag = plant.source_pa, rng.uniform(*its.sag_rel)
        self.pressure_doing = "sagging"
        for share in _smooth(rng.uniform(*its.sag_s)):
            plant.source_pa = start_pa * (1.0 - sag * share)
            yield
        self.pressure_doing = "holding"

    # ------------------------------------------------------------ what he does on purpose

    def _watch(self) -> Iterator[None]:
        off_s = 0.0
        while True:
            wanted = self.wish.test_pressure_pa
            off_s = off_s + STEP_S if wanted > 0.0 and abs(self._seen_pa / wanted - 1.0) > 0.01 else 0.0
            if off_s > 3.0:
                yield from self._set_pressure(wanted)
                self.pressure_doing = "holding"
                off_s = 0.0
            yield

    def _set_lift(self, wanted_m: float) -> Iterator[None]:
        rng, habits = self._rng, self._habits
        self._aim_m = None  # until he is there: he may be called off half-way
        if wanted_m > 0.0 and rng.random() < habits.wrong_lift_share:
            step_m = abs(wanted_m - self.lift_m)
            wrong_m = wanted_m + step_m if wanted_m + step_m <= HIGHEST_LIFT_M else wanted_m - step_m / 2
            yield from self._turn(wrong_m, rng.uniform(*habits.move_s))
            self.lift_doing = "wrong lift"
            yield from self._wait(rng.uniform(*habits.wrong_lift_s))
        yield from self._approach(wanted_m)
        self._aim_m = wanted_m

    def _approach(self, wanted_m: float) -> Iterator[None]:
        rng, habits = self._rng, self._habits
        self._begin_creep()
        seconds = rng.uniform(*habits.move_s)
        start_m, move_m = self.lift_m, wanted_m - self.lift_m
        residual_m = self._residual_m()
        final_m = wanted_m + residual_m if wanted_m > 0.0 else 0.0
        sag = rng.uniform(*self._scenario.sag_rel)
        pauses = rng.random() < habits.pause_share
        overshoots = wanted_m > 0.0 and rng.random() < habits.overshoot_share
        part = rng.uniform(0.35, 0.65) if pauses else 0.0
        if pauses:
            yield from self._turn(start_m + part * move_m, seconds * part, sag * part)
            self.lift_doing = "paused"
            yield from self._wait(rng.uniform(*habits.pause_s))
        over_m = move_m * rng.uniform(*habits.overshoot_rel) if overshoots else 0.0
        yield from self._turn(final_m + over_m, seconds * (1.0 - part), sag * (1.0 - part))
        if overshoots:
            yield from self._wait(rng.uniform(0.15, 0.4))
            yield from self._turn(final_m, rng.uniform(0.3, 0.8))

    def _residual_m(self) -> float:
        return max(-RESIDUAL_LIMIT_M, min(RESIDUAL_LIMIT_M, self._rng.gauss(0.0, self._habits.lift_scatter_m)))

    def _turn(self, to_m: float, seconds: float, sag: float = 0.0) -> Iterator[None]:
        """Turn the lift screw; a blower loaded by an opening valve gives ``sag`` less in the end."""
        self.lift_doing = "moving"
        start_m = self.lift_m
        factor = 1.0 - sag if to_m > start_m else 1.0 / (1.0 - sag)
        start_pa = self._plant.source_pa
        for share in _smooth(seconds):
            self.lift_m = start_m + (to_m - start_m) * share
            if self.fitted == "head":
                self._plant.source_pa = start_pa * factor**share
            yield

    def _set_pressure(self, wanted_pa: float) -> Iterator[None]:
        rng, habits = self._rng, self._habits
        self.pressure_doing = "reacting"
        yield from self._wait(rng.uniform(*habits.reaction_s))
        begins = self._plant.source_pa == 0.0
        aim_pa = min(wanted_pa * (1.0 + rng.gauss(0.0, habits.pressure_scatter_rel)), BLOWER_HEAD_PA)
        seconds = rng.uniform(1.5, 3.0) if begins else rng.uniform(0.3, 1.2)
        short_pa = aim_pa * rng.uniform(*habits.short_pressure_rel)
        away_pa = self._plant.source_pa - aim_pa
        if rng.random() < habits.short_pressure_share and abs(away_pa) > short_pa:
            yield from self._ramp(aim_pa + math.copysign(short_pa, away_pa), seconds)
            self.pressure_doing = "paused"
            yield from self._wait(rng.uniform(*habits.pause_s))
            seconds = rng.uniform(0.3, 0.8)
        yield from self._ramp(aim_pa, seconds)

    def _stop_blower(self) -> Iterator[None]:
        yield from self._ramp(0.0, self._rng.uniform(0.8, 1.5))
        while self._plant.test_pressure_pa > 1.0:
            yield

    def _ramp(self, to_pa: float, seconds: float) -> Iterator[None]:
        self.pressure_doing = "moving"
        start_pa = self._plant.source_pa
        for share in _smooth(seconds):
            self._plant.source_pa = start_pa + (to_pa - start_pa) * share
            yield

    def _wait(self, seconds: float) -> Iterator[None]:
        for _ in range(round(seconds / STEP_S)):
            yield

    # ------------------------------------------------------------ creep

    def _begin_creep(self) -> None:
        self._creep_left_s = 0.0
        if self._rng.random() < self._scenario.creep_share:
            self._creep_rel = self._rng.choice((-1.0, 1.0)) * self._rng.uniform(*self._scenario.creep_rel)
            self._creep_left_s = self._creep_for_s = self._rng.uniform(*self._scenario.creep_s)

    def _creep(self) -> None:
        if self._creep_left_s <= 0.0:
            self._plant.creep = 0.0
            return
        if self.lift_doing == "holding" or self.lift_doing == "reacting":
            self._creep_left_s -= STEP_S
        left = max(self._creep_left_s, 0.0) / self._creep_for_s
        self._plant.creep = self._creep_rel * left**2 * (3.0 - 2.0 * left)


def _smooth(seconds: float) -> Iterator[float]:
    steps = max(1, round(seconds / STEP_S))
    for n in range(1, steps + 1):
        u = n / steps
        yield u * u * (3.0 - 2.0 * u)


def _read(wants: dict[str, object], before: Wish) -> Wish:
    wish = before
    for key, value in wants.items():
        if key == "test_pressure_pa":
            wish = replace(wish, test_pressure_pa=_number(key, value, BLOWER_HEAD_PA) if value is not None else 0.0)
        elif value is None or value == "":
            continue
        elif key == "lift_m":
            wish = replace(wish, lift_m=_number(key, value, HIGHEST_LIFT_M))
        elif key == "direction" and value in ("intake", "exhaust"):
            wish = replace(wish, direction=value)
        elif key == "meter_range" and value in STATED_RANGES:
            wish = replace(wish, meter_range=str(value))
        elif key == "fitted" and value in ("head", "blank plate", "reference plate"):
            wish = replace(wish, fitted=value)
        else:
            raise ValueError(f"the operator cannot do {key} = {value!r}")
    return wish


def _number(key: str, value: object, highest: float) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0.0 <= value <= highest:
        raise ValueError(f"the operator cannot do {key} = {value!r}: it must lie between 0 and {highest:.6g}")
    return float(value)
