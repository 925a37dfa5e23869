"""Somebody who collects at the broker, and whom the broker serves again after an outage."""

import json
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

Said = dict[str, Any]


class Listener:
    """All messages below a topic, in order of arrival: topic, content, whether it was retained."""

    def __init__(self, port: int, topic: str = "shop/#", name: str = "office", **secure: Any) -> None:
        self.heard: list[tuple[str, Said, bool]] = []
        self._news = threading.Condition()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=False)
        if "tls" in secure:
            self._client.tls_set(secure["tls"])
        if "user" in secure:
            self._client.username_pw_set(secure["user"], secure["password"])
        self._client.reconnect_delay_set(1, 1)
        self._topic = topic
        self._client.on_connect = self._subscribe
        self._client.on_subscribe = lambda *_: self._hear(None)
        self._client.on_message = lambda _c, _u, message: self._hear(message)
        self._ready = False
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self.until(lambda: self._ready)

    def _subscribe(self, client: mqtt.Client, _user: Any, flags: Any, *_: Any) -> None:
        if not flags.session_present:  # subscribing again would bring what is retained once more
            client.subscribe(self._topic, qos=2)

    def _hear(self, message: Any) -> None:
        with self._news:
            if message is None:
                self._ready = True
            else:
                self.heard.append((message.topic, json.loads(message.payload), bool(message.retain)))
            self._news.notify_all()

    def until(self, found: Callable[[], bool], seconds: float = 20) -> None:
        with self._news:
            assert self._news.wait_for(found, seconds), self.heard[-5:]

    def points(self) -> list[Said]:
        return [said for topic, said, _ in list(self.heard) if topic.endswith("/point")]

    def states(self) -> list[bool]:
        return [said["online"] for topic, said, _ in list(self.heard) if topic.endswith("/state")]

    def __enter__(self) -> "Listener":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()
