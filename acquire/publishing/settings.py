"""The configuration's ``[publish]`` table."""

from typing import Annotated

from pydantic import Field, model_validator

from acquire.loopback import is_loopback
from acquire.quantity import Seconds, Table

PLAIN_PORT, TLS_PORT = 1883, 8883


class Publish(Table):
    """Where a bench publishes, over MQTT 3.1.1.

    ``topic`` is the bench's own: the broker then has ``topic/state``,
    ``topic/live`` and ``topic/point``. Paths are relative to the
    configuration file. A password stands in a file of its own
    (``password_file``), since a configuration is kept with every pull.
    ``earlier_points``: also publish what was taken before publishing was
    first set up.
    """

    broker: Annotated[str, Field(min_length=1, max_length=255)]
    port: Annotated[int, Field(ge=0, le=65535)] = 0
    topic: Annotated[str, Field(min_length=1, max_length=200)]
    tls: bool = False
    ca_file: str = ""
    certificate_file: str = ""
    key_file: str = ""
    user: str = ""
    password_file: str = ""
    live_every_s: Annotated[Seconds, Field(alias="live_every", ge=0.1, le=3600)] = 1.0
    earlier_points: bool = False

    @model_validator(mode="after")
    def _fits(self) -> "Publish":
        if any(sign in self.topic for sign in "+#\0") or self.topic.startswith(("$", "/")) or self.topic.endswith("/"):
            raise ValueError(f"topic {self.topic!r} must be a plain path such as shop/bench1, without +, #, $")
        if self.password_file and not self.user:
            raise ValueError("password_file needs user beside it")
        if (self.ca_file or self.certificate_file or self.key_file) and not self.tls:
            raise ValueError("ca_file, certificate_file and key_file need tls = true")
        if bool(self.certificate_file) != bool(self.key_file):
            raise ValueError("certificate_file and key_file go together")
        return self

    @property
    def at(self) -> str:
        """Broker and port, as they are said."""
        return f"{self.broker}:{self.port or (TLS_PORT if self.tls else PLAIN_PORT)}"

    @property
    def password_in_the_clear(self) -> bool:
        """Whether a password leaves this machine unencrypted."""
        return bool(self.password_file) and not self.tls and not is_loopback(self.broker)
