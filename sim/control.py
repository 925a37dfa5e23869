"""The control link: TCP on loopback, one JSON object a line, each answered by one JSON line.

``{"do": "follow", "wants": {...}}``, ``{"do": "press"}``,
``{"do": "unplug", "device": "weather", "for_s": 3}``, ``{"do": "mount", "low_lift": 0.05}``, ``{"do": "stop"}``,
``{"ask": "now"}`` and ``{"ask": "truth", "direction": "intake", "lifts_m":
[...], "reference": {"test_pressure_pa": ..., "air_pressure_pa": ...,
"air_temperature_k": ..., "air_humidity": ...}, "fitted": "head"}``, where
everything from ``reference`` on may be left out. Every answer holds ``ok``;
a refused line ``error``, a now ``now``, a truth ``truth`` and ``flows_m3_s``,
both in the order of the lifts. A lift of null stands for the blank plate: its
flow is the leakage.
"""

import contextlib
import json
import socket
from typing import Any

from sim.bench import SimBench

REFERENCE_KEYS = {
    "test_pressure_pa": "reference_pressure_pa",
    "air_pressure_pa": "air_pressure_pa",
    "air_temperature_k": "air_temperature_k",
    "air_humidity": "air_humidity",
}


class Control:
    """Serves any number of clients, without threads: call :meth:`serve` often."""

    def __init__(self, bench: SimBench) -> None:
        self._bench = bench
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self._clients: dict[socket.socket, bytes] = {}
        self.address = f"127.0.0.1:{self._listener.getsockname()[1]}"
        self.stopped = False

    def serve(self) -> None:
        """Answer all that has come in. Never blocks."""
        with contextlib.suppress(BlockingIOError):
            while True:
                client, _ = self._listener.accept()
                client.setblocking(False)
                self._clients[client] = b""
        for client in list(self._clients):
            try:
                data = client.recv(65536)
            except BlockingIOError:
                continue
            except OSError:
                data = b""
            if not data:
                self._forget(client)
                continue
            *lines, self._clients[client] = (self._clients[client] + data).split(b"\n")
            for line in lines:
                self._answer(client, line)

    def close(self) -> None:
        """Close the link and its clients."""
        for client in list(self._clients):
            self._forget(client)
        self._listener.close()

    def answer(self, line: bytes) -> dict[str, object]:
        """What one line of the link is answered with."""
        try:
            asked = json.loads(line.decode())
            if not isinstance(asked, dict):
                raise ValueError("a line must be one JSON object")
            return {"ok": True, **self._act(asked)}
        except KeyError as error:
            return {"ok": False, "error": f"{error.args[0]} is missing"}
        except (ValueError, TypeError) as error:
            return {"ok": False, "error": str(error)}

    def _answer(self, client: socket.socket, line: bytes) -> None:
        reply = json.dumps(self.answer(line)).encode() + b"\n"
        try:
            client.setblocking(True)
            client.settimeout(1.0)
            client.sendall(reply)
            client.setblocking(False)
        except OSError:
            self._forget(client)

    def _forget(self, client: socket.socket) -> None:
        self._clients.pop(client, None)
        client.close()

    def _act(self, asked: dict[str, Any]) -> dict[str, object]:
        match asked:
            case {"do": "follow"}:
                self._bench.follow(_typed(asked, "wants", dict))
            case {"do": "press"}:
                self._bench.press()
            case {"do": "unplug"}:
                self._bench.unplug(asked["device"], float(asked["for_s"]))
            case {"do": "mount"}:
                self._bench.mount(float(asked["low_lift"]))
            case {"do": "stop"}:
                self.stopped = True
            case {"ask": "now"}:
                return {"now": self._bench.true_now()}
            case {"ask": "truth"}:
                truth = self._truth(asked)
                return {"truth": truth, "flows_m3_s": [one["flow_m3_s"] for one in truth]}
            case _:
                raise ValueError("do must be follow, press, unplug, mount or stop; ask must be now or truth")
        return {}

    def _truth(self, asked: dict[str, Any]) -> list[dict[str, float]]:
        reference = _typed({"reference": {}} | asked, "reference", dict)
        unknown = set(reference) - set(REFERENCE_KEYS)
        if unknown:
            raise ValueError(f"reference knows {', '.join(REFERENCE_KEYS)}, not {', '.join(sorted(unknown))}")
        air = {REFERENCE_KEYS[key]: float(value) for key, value in reference.items()}
        fitted = asked.get("fitted", "head")
        if fitted not in ("head", "blank plate", "reference plate"):
            raise ValueError(f"fitted {fitted!r} is not known: use head, blank plate or reference plate")
        found = []
        for lift_m in _typed(asked, "lifts_m", list):
            one = self._bench.truth(asked["direction"], float(lift_m or 0.0), fitted=fitted, **air)
            if lift_m is None and fitted != "reference plate":
                one |= {"effective_area_m2": one["leakage_area_m2"], "flow_m3_s": one["leakage_m3_s"]}
            found.append(one)
        return found


def _typed(asked: dict[str, Any], key: str, kind: type[Any]) -> Any:
    if not isinstance(asked[key], kind):
        raise ValueError(f"{key} must be {'an object' if kind is dict else 'a list'}, not {json.dumps(asked[key])}")
    return asked[key]
