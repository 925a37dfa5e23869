"""The control line to a simulated bench: one JSON object a line, one answer each."""

import json
import socket
from types import TracebackType
from typing import Any

from acquire.records import Refused


class SimLink:
    """Speaks to the simulated operator and asks the simulation for its truth."""

    def __init__(self, ports: dict[str, str], control: str) -> None:
        self.ports = ports
        host, _, port = control.rpartition(":")
        self._socket = socket.create_connection((host, int(port)), timeout=10)
        self._lines = self._socket.makefile("r", encoding="utf-8")

    def __enter__(self) -> "SimLink":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._lines.close()
        self._socket.close()

    def ask(self, **message: Any) -> dict[str, Any]:
        """Send one message; its answer."""
        self._socket.sendall(json.dumps(message).encode() + b"\n")
        line = self._lines.readline()
        if not line:
            raise Refused("the simulated bench is gone")
        answer: dict[str, Any] = json.loads(line)
        return answer

    def follow(self, wants: dict[str, Any]) -> None:
        """What the operator is asked to do from now on."""
        self.ask(do="follow", wants=wants)

    def mount(self, low_lift: float) -> None:
        """Take the head off and mount another, which flows more at low lift by this share."""
        answer = self.ask(do="mount", low_lift=low_lift)
        if not answer.get("ok", False):
            raise Refused(f"the simulated bench refuses: {answer.get('error', 'it gave no reason')}")

    def truth(self, direction: str, lifts_m: list[float | None], reference: dict[str, float]) -> list[float]:
        """The true stated flow, m3/s, at each lift."""
        answer = self.ask(ask="truth", direction=direction, lifts_m=lifts_m, reference=reference)
        if not answer.get("ok", False):
            raise Refused(f"the simulated bench refuses: {answer.get('error', 'it gave no reason')}")
        return [float(value) for value in answer["flows_m3_s"]]
