"""One row for each family of instruments: what the contract tests need to know of it."""

from dataclasses import dataclass, field

from drivers.base import Instrument
from drivers.registry import make_instrument

NUMBER = r"L=(?P<l>[-+]\d{2}\.\d{3}|nan|[-+]?inf) mm"


@dataclass(frozen=True)
class Family:
    """A driver's name, its own keys, and whether a good line is a press."""

    driver: str
    keys: dict[str, object] = field(default_factory=dict)
    presses: bool = False
    streams: bool = False
    request: bytes = b""

    def table(self, port: str = "/dev/none", **more: object) -> dict[str, object]:
        channels = {"lift": {"field": "l", "unit": "mm", "low": -1.0, "high": 25.0}}
        return {"driver": self.driver, "port": port, "pattern": NUMBER, "channels": channels, **self.keys, **more}

    def make(self, port: str = "/dev/none", **more: object) -> Instrument:
        return make_instrument("gauge", self.table(port, **more))


def line(value: float) -> bytes:
    """What the instrument sends for ``value``, without the line's end."""
    return f"L={value:+07.3f} mm".encode()


FAMILIES = [
    Family("lines_streamed", streams=True),
    Family("lines_asked", {"request": r"?\r", "every_s": 0.02, "reply_within_s": 0.2}, request=b"?\r"),
    Family("line_on_button", presses=True),
]
