"""A simulated bench on real ports in a thread of its own, with faults on its wires."""

import queue
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from acquire.demo.run import demo_config_text
from sim.devices import Device
from sim.endpoints import Endpoint, PtyEndpoint, TcpEndpoint
from sim.scenario import CALM, Scenario
from sim.wire import WiredBench, WireFault

_TICK_S = 0.004
_LONGEST_CATCH_UP_S = 0.5


class LiveBench:
    """Use as a context. Whatever touches the bench is done in its thread by ``do``."""

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
            self.bench.advance(min(now_s - last_s, _LONGEST_CATCH_UP_S) * self.speed)
            last_s = now_s
            for name, data in self.bench.outputs().items():
                self._exchange(self.bench.devices[name], self._endpoints[name], data)
            self.each_tick(self.bench)

    def _exchange(self, device: Device, endpoint: Endpoint, data: bytes) -> None:
        if not device.plugged(self.bench.t_s):
            endpoint.unplug()
            return
        endpoint.plug()
        heard = endpoint.exchange(data)
        if heard:
            device.hear(heard, self.bench.t_s)
