"""A simulated bench on real ports, with faults on its wires: in a thread of its own, or turned by hand."""

import queue
import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Self

from acquire.clock import SystemClock
from acquire.config import parse_config
from acquire.daemon.engine import Engine
from acquire.demo.run import demo_config_text
from acquire.records import Frame, LiveEvent
from acquire.values import Point
from sim.devices import Device
from sim.endpoints import Endpoint, PtyEndpoint, TcpEndpoint
from sim.scenario import CALM, Scenario
from sim.wire import WiredBench, WireFault

_TICK_S = 0.004
_LONGEST_CATCH_UP_S = 0.5
# of the machine: by hand no more is done between two looks, so that what is looked for is never passed over
_LONGEST_TURN_S, _SLOW_TURN_S = 0.02, 0.001
# less than what makes a stay begin anew
_LONGEST_BEHIND_US = 800_000
_GIVEN_UP_S = 60.0


class LiveBench:
    """Use as a context. Whatever touches the bench is done in its thread by ``do``; without the thread, ``turn`` it."""

    def __init__(self, seed: int, folder: Path, speed: float, scenario: Scenario = CALM, kind: str = "pty") -> None:
        self.bench = WiredBench(seed, scenario)
        self.speed = speed
        self._endpoints: dict[str, Endpoint] = {
            name: PtyEndpoint(folder / name) if kind == "pty" else TcpEndpoint() for name in self.bench.devices
        }
        self._asked: queue.SimpleQueue[Callable[[WiredBench], object]] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="live bench")
        self.each_tick: Callable[[WiredBench], object] = lambda bench: None

    def __enter__(self) -> "LiveBench":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopping.set()
        self._thread.join()
        self.close()

    def close(self) -> None:
        """Remove its ports."""
        for endpoint in self._endpoints.values():
            endpoint.close()

    @property
    def config_text(self) -> str:
        """The demo's configuration on these ports."""
        return demo_config_text({name: endpoint.port for name, endpoint in self._endpoints.items()})

    @property
    def t_s(self) -> float:
        """The bench's time."""
        return self.bench.t_s

    def do(self, work: Callable[[WiredBench], object]) -> None:
        """Let the bench's thread do it, soon."""
        self._asked.put(work)

    def spoil(self, device: str, kind: str, **fault: Any) -> None:
        """Place one fault of the wire now."""
        self.do(lambda bench: bench.spoil(device, WireFault(kind, at_s=bench.t_s, **fault)))  # type: ignore[arg-type]

    def follow(self, wants: dict[str, Any]) -> None:
        """What the operator is asked to do from now on."""
        self.do(lambda bench: bench.follow(wants))

    def _run(self) -> None:
        last_s = time.perf_counter()
        while not self._stopping.wait(_TICK_S):
            while not self._asked.empty():
                self._asked.get()(self.bench)
            now_s = time.perf_counter()
            self.turn(min(now_s - last_s, _LONGEST_CATCH_UP_S))
            last_s = now_s
            self.each_tick(self.bench)

    def turn(self, machine_s: float) -> None:
        """Let so many of the machine's seconds pass."""
        self.bench.advance(machine_s * self.speed)
        for name, data in self.bench.outputs().items():
            self._exchange(self.bench.devices[name], self._endpoints[name], data)

    def _exchange(self, device: Device, endpoint: Endpoint, data: bytes) -> None:
        if not device.plugged(self.bench.t_s):
            endpoint.unplug()
            return
        endpoint.plug()
        heard = endpoint.exchange(data)
        if heard:
            device.hear(heard, self.bench.t_s)


class BenchClock(SystemClock):
    """Goes with the bench: a busy machine holds up both alike. ``slept_us``: the machine slept, the bench did not."""

    def __init__(self, live: LiveBench) -> None:
        super().__init__(live.speed)
        self._live = live
        self.slept_us = 0
        self.wall_set_by = timedelta()

    def t_us(self) -> int:
        return round(self._live.t_s * 1e6) + self.slept_us

    def utc(self) -> datetime:
        return super().utc() + self.wall_set_by


class LivePulls:
    """The shipped engine on a live bench, and an operator who does what he is asked. Use as a context.

    ``said``: what stood at the top of his screen, in order.
    """

    def __init__(self, live: LiveBench, text: str, archive: Path) -> None:
        self.live = live
        self.clock = BenchClock(live)
        self.engine = Engine(parse_config(text, "live"), text, archive, self.clock)
        self.events: list[LiveEvent] = []
        self.said: list[str] = []
        self.frame: Frame = self.engine.frame()
        self._last_s = time.perf_counter()

    def __enter__(self) -> Self:
        self.engine.subscribe(self.events.append)
        self.engine.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.engine.stop()
        self.live.close()

    @property
    def points(self) -> list[Point]:
        """What was taken so far."""
        return [event.point for event in tuple(self.events) if event.point is not None]

    def notices(self, instrument: str) -> list[str]:
        """What was said of an instrument so far."""
        return [
            its.sentence for its in tuple(self.events) if its.kind == "notice" and its.sentence.startswith(instrument)
        ]

    def until(self, condition: Callable[[], object], what: str, limit_s: float = 120.0) -> None:
        """Let time pass until ``condition`` holds, at most so many seconds of the bench."""
        limit_s += self.live.t_s
        given_up_s = time.monotonic() + _GIVEN_UP_S
        while not condition():
            guide = self.frame.guide
            late = self.live.t_s >= limit_s or time.monotonic() >= given_up_s
            assert not late, f"waited in vain until {what}: {guide.sentence!r}, {self.said[-8:]}"
            time.sleep(_TICK_S)
            now_s = time.perf_counter()
            longest_s = _LONGEST_TURN_S if self._keeps_up() else _SLOW_TURN_S
            self.live.turn(min(now_s - self._last_s, longest_s))
            self._last_s = now_s
            self._look()

    def _keeps_up(self) -> bool:
        """Whether what is looked at is of now, with a lift, which is sent often: else the bench must go slowly."""
        lift = self.frame.readings.get("lift")
        age_us = 0.0 if lift is None or lift.age_s is None else lift.age_s * 1e6
        return max(age_us, self.clock.t_us() - self.frame.t_us) < _LONGEST_BEHIND_US

    def _look(self) -> None:
        self.frame = self.engine.frame()
        guide = self.frame.guide
        if guide.situation not in ("no_pull", "ended", "paused"):
            self.live.bench.follow(guide.wants.model_dump())
        if guide.sentence not in self.said[-1:]:
            self.said.append(guide.sentence)
