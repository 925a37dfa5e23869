"""Runs the dashboard on a scripted pull, to be looked at: ``python -m tests.ui.play [scene] [real|sim]``."""

import asyncio
import math
import random
import sys

from acquire.records import Action, Guide, PullRequest, Situation, Wants
from acquire.ui.app import Dashboard
from acquire.values import Mark, PullView, Standing
from tests.ui import fake

SCENES = ("idle", "pull", "hold", "verdict", "stale", "lost")


class Player(fake.FakeBench):
    """A bench that plays itself: the valve is opened step by step, pressure follows, flow settles."""

    def __init__(self, scene: str, source: str) -> None:
        super().__init__()
        self.scene, self.source = scene, source
        self.last = fake.request()
        self.t_s = 0.0
        self.step, self.since_s = 0, 0.0
        self.running = scene != "idle"
        self.view: PullView = fake.pull_view(0)
        self.noise = random.Random(1)
        self.number = 0

    def begin(self, request: PullRequest) -> int:
        self.running, self.step, self.since_s = True, 0, self.t_s
        return super().begin(request)

    def act(self, action: Action) -> None:
        super().act(action)
        if action.kind == "take":
            self.since_s = -100.0

    async def run(self) -> None:
        """Ten frames a second."""
        while True:
            self.t_s += 0.1
            self.tick()
            await asyncio.sleep(0.1)

    def tick(self) -> None:
        """One frame."""
        shake = self.noise.gauss(0, 1)
        if not self.running:
            self.play(fake.frame(self.t_s, pressure_inh2o=0.01 * shake, lift_in=0.0, source=self.source))
            return
        if self.step >= 8:
            marks = (Mark("zero", "The zero of the test pressure moved by 0.06 inH2O between start and end."),)
            self.play(fake.frame(self.t_s, pull=fake.ended_view(marks), situation="ended", sentence="Pull complete.",
                                 pressure_inh2o=0.0, lift_in=0.0, flow_cfm=None, source=self.source))  # fmt: skip
            return
        age = self.t_s - self.since_s
        goal, before = fake.LIFTS_IN[self.step], ([0.0, *fake.LIFTS_IN])[self.step]
        lift = goal if age > 2 else before + (goal - before) * age / 2
        pressure = 28.0 - 1.8 * math.exp(-((age - 2) ** 2)) + 0.03 * shake
        flow = fake.FLOWS_CFM[self.step] * (1 - 0.2 * math.exp(-age)) + 0.3 * shake
        situation: Situation = "hold_settling"
        sentence = "Hold: flow still settling, about 4 s."
        standing = Standing("settling", ("drift",), max(0.0, 8 - age), 0.006)
        if age < 2:
            situation, sentence = "open_valve", f"Open the valve to {goal:.3f} in: {goal - lift:.3f} more."
            standing = Standing("moving", ("lift",))
        elif age < 3.2:
            situation, sentence = "raise_pressure", "Raise the test pressure to 28.0 inH2O: 1.1 more."
            standing = Standing("moving", ("test pressure",))
        view = fake.pull_view(self.step)
        shown = fake.frame(self.t_s, pull=view, situation=situation, sentence=sentence, standing=standing, lift_in=lift,
                           pressure_inh2o=pressure, flow_cfm=flow, source=self.source,
                           wants=Wants(lift_m=goal * fake.IN, test_pressure_pa=fake.TARGET_PA))  # fmt: skip
        if self.scene == "stale" and self.t_s > 3:
            readings = dict(shown.readings) | {"lift": fake.reading(0.213 * fake.IN, "m", "stale", self.t_s - 3)}
            guide = Guide(situation="signal_lost", sentence="Lift silent for 4 s: check its cable.")
            shown = shown.model_copy(update={"readings": readings, "guide": guide})
        if self.scene == "lost" and self.t_s > 3:
            return
        self.play(shown)
        if age > (1e9 if self.scene == "hold" and self.step == 3 else 8):
            self.number += 1
            self.play(fake.taken_event(self.number, self.step))
            self.step, self.since_s = self.step + 1, self.t_s


def main() -> int:
    """Play a scene until the dashboard is closed."""
    scene = sys.argv[1] if len(sys.argv) > 1 else "pull"
    source = "sim://play" if "sim" in sys.argv[2:] else ""
    player = Player(scene, source)
    if scene in ("hold", "stale", "lost"):
        player.step = 3
    if scene == "verdict":
        player.step = 8
    app = Dashboard(player)
    app.call_later(lambda: app.run_worker(player.run()))
    app.run()
    return app.return_code or 0


if __name__ == "__main__":
    sys.exit(main())
