"""One connection to an MQTT broker. Each is opened anew: nothing is resent behind our back."""

import hashlib
import os
import queue
import ssl
import threading
from pathlib import Path
from types import TracebackType
from typing import Any

from acquire.publishing.settings import PLAIN_PORT, TLS_PORT, Publish

ANSWER_S = 10.0
KEEPALIVE_S = 20


class BrokerError(Exception):
    """One sentence: which broker, what is wrong, what to do."""


def need_library() -> None:
    """Raises ``BrokerError`` with the cure where the MQTT library is not installed."""
    try:
        import paho.mqtt.client  # noqa: F401
    except ImportError as error:
        raise BrokerError(
            "publishing needs the package paho-mqtt: install steadydraw with its extra, steadydraw[mqtt]"
        ) from error


class Broker:
    """A connection that was accepted; messages go one at a time, each waited for.

    ``will`` is what the broker says, retained, on ``will_topic`` when this
    end is gone without a word. Raises ``BrokerError`` from everything.
    """

    def __init__(self, settings: Publish, folder: Path, will_topic: str, will: bytes) -> None:
        from paho.mqtt import client as mqtt
        from paho.mqtt.enums import CallbackAPIVersion

        self.settings = settings
        self._answers: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._heard: dict[str, bytes] = {}
        self._news = threading.Condition()
        self._sent: set[int] = set()
        self._lost = ""
        # the same name at each start: a broker that still holds the connection of a killed daemon
        # lets go of it, and says its will, before it accepts this one
        name = "sd" + hashlib.sha256(settings.topic.encode()).hexdigest()[:20]
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=name, clean_session=True, reconnect_on_failure=False
        )
        self._client.connect_timeout = ANSWER_S / 2
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message
        self._client.on_publish = self._on_publish
        self._client.will_set(will_topic, will, qos=1, retain=True)
        self._secure(folder)
        self._connect()

    def _secure(self, folder: Path) -> None:
        its = self.settings
        if its.user:
            self._client.username_pw_set(its.user, _password(folder, its.password_file) or None)
        if not its.tls:
            return
        try:
            context = ssl.create_default_context(cafile=str(folder / its.ca_file) if its.ca_file else None)
            if its.certificate_file:
                context.load_cert_chain(folder / its.certificate_file, folder / its.key_file)
        except (OSError, ssl.SSLError) as error:
            files = ", ".join(name for name in (its.ca_file, its.certificate_file, its.key_file) if name)
            raise BrokerError(f"publish: {files} cannot be used ({error}): check the files in [publish]") from error
        self._client.tls_set_context(context)

    def _connect(self) -> None:
        its = self.settings
        try:
            self._client.connect(its.broker, its.port or (TLS_PORT if its.tls else PLAIN_PORT), KEEPALIVE_S)
        except ssl.SSLError as error:
            raise BrokerError(f"the broker {its.at} is not trusted ({error}): check ca_file in [publish]") from error
        except (OSError, ValueError) as error:
            raise BrokerError(f"the broker {its.at} cannot be reached ({error}): points wait in the archive") from error
        self._client.loop_start()
        try:
            refusal = self._answers.get(timeout=ANSWER_S)
        except queue.Empty:
            refusal = "no answer"
        if refusal:
            self._client.loop_stop()
            raise BrokerError(f"the broker {its.at} refuses ({refusal}): check user and password_file in [publish]")

    def __enter__(self) -> "Broker":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    # ------------------------------------------------------------ sending

    def send(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Returns when the broker has it."""
        self._check()
        # with 2, who collects can ask for each message exactly once
        sent = self._client.publish(topic, payload, qos=2, retain=retain)
        with self._news:
            # (the library's own wait does not end when the connection does)
            self._news.wait_for(lambda: sent.mid in self._sent or self._lost, ANSWER_S)
            if sent.mid not in self._sent:
                raise self._gone(self._lost or "no answer")
            self._sent.discard(sent.mid)

    def tell(self, topic: str, payload: bytes) -> None:
        """Sends without waiting: live values, of which the next one is soon there."""
        self._check()
        self._client.publish(topic, payload, qos=0)

    def kept(self, topic: str, beside: str) -> bytes | None:
        """What the broker retains on ``topic``; ``beside`` is a topic on which it surely retains something.

        A broker sends what it retains when it is asked to, in the order in
        which it was asked: once ``beside`` has come, there was nothing else.
        """
        self._check()
        self._heard.clear()
        for one in (topic, beside):
            self._client.subscribe(one, qos=1)
        with self._news:
            if not self._news.wait_for(lambda: beside in self._heard or self._lost, ANSWER_S) or self._lost:
                raise self._gone(self._lost or "no answer")
            found = self._heard.get(topic)
        self._client.unsubscribe([topic, beside])
        return found

    def _check(self) -> None:
        if self._lost:
            raise self._gone(self._lost)

    def _gone(self, why: str) -> BrokerError:
        return BrokerError(f"the broker {self.settings.at} is gone ({why}): points wait in the archive")

    # ------------------------------------------------------------ from the library's thread

    def _on_connect(self, _client: Any, _user: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._answers.put(str(reason) if reason.is_failure else "")

    def _on_disconnect(self, _client: Any, _user: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._answers.put(str(reason))
        with self._news:
            self._lost = str(reason)
            self._news.notify_all()

    def _on_publish(self, _client: Any, _user: Any, number: int, _reason: Any, _properties: Any) -> None:
        with self._news:
            self._sent.add(number)
            self._news.notify_all()

    def _on_message(self, _client: Any, _user: Any, message: Any) -> None:
        with self._news:
            self._heard[message.topic] = message.payload
            self._news.notify_all()


def _password(folder: Path, name: str) -> str:
    if not name:
        return ""
    path = folder / Path(name).expanduser()
    try:
        text = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise BrokerError(f"publish: password_file {path} cannot be read ({error}): check it in [publish]") from error
    if os.name == "posix" and path.stat().st_mode & 0o077:
        raise BrokerError(f"publish: others on this machine can read {path}: make it private with chmod 600")
    return text
