"""The simulated bench as a process: real endpoints, real time multiplied by a speed."""

import json
import os
import shutil
import signal
import tempfile
import threading
import time
from pathlib import Path

from sim.bench import SimBench
from sim.control import Control
from sim.devices import Device
from sim.endpoints import Endpoint, PtyEndpoint, TcpEndpoint
from sim.meters import large_range

TICK_S = 0.005
# a machine that was held up longer than this lets the bench's time slip instead of racing after it
LONGEST_CATCH_UP_S = 0.5


class Process:
    """Runs a bench until stdin closes, SIGTERM or SIGINT comes, or the control link says stop."""

    def __init__(self, bench: SimBench, kind: str, speed: float) -> None:
        self._bench = bench
        self._speed = speed
        self._stop = threading.Event()
        self._folder = Path(tempfile.mkdtemp(prefix="steadydraw-sim-")) if kind == "pty" else None
        self._endpoints = {name: self._open(name) for name in bench.devices}
        self._control = Control(bench)

    def run(self) -> None:
        """Announce the ports, and what the papers of the large range state, in one JSON line on stdout, then run."""
        signal.signal(signal.SIGINT, lambda *_: self._stop.set())
        signal.signal(signal.SIGTERM, lambda *_: self._stop.set())
        threading.Thread(target=self._wait_for_stdin, daemon=True).start()
        ports = {name: endpoint.port for name, endpoint in self._endpoints.items()}
        large = {"large": large_range(self._bench.meter).lines}
        print(json.dumps({"ports": ports, "control": self._control.address, "meter_ranges": large}), flush=True)
        try:
            self._loop()
        finally:
            self.close()

    def close(self) -> None:
        """Remove the ports."""
        self._control.close()
        for endpoint in self._endpoints.values():
            endpoint.close()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)

    def _loop(self) -> None:
        last_s = time.perf_counter()
        while not (self._stop.is_set() or self._control.stopped):
            self._stop.wait(TICK_S)
            now_s = time.perf_counter()
            self._bench.advance(min(now_s - last_s, LONGEST_CATCH_UP_S) * self._speed)
            last_s = now_s
            for name, device in self._bench.devices.items():
                self._exchange(device, self._endpoints[name])
            self._control.serve()

    def _exchange(self, device: Device, endpoint: Endpoint) -> None:
        data = device.take()
        if not device.plugged(self._bench.t_s):
            endpoint.unplug()
            return
        endpoint.plug()
        heard = endpoint.exchange(data)
        if heard:
            device.hear(heard, self._bench.t_s)

    def _open(self, name: str) -> Endpoint:
        return TcpEndpoint() if self._folder is None else PtyEndpoint(self._folder / name)

    def _wait_for_stdin(self) -> None:
        # not through sys.stdin: its lock, held by a waiting thread, would abort the interpreter's end
        try:
            while os.read(0, 1024):
                pass
        except OSError:
            pass  # there is no stdin: as good as closed
        self._stop.set()
