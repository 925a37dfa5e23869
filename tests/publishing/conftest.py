"""A broker, a listener at it, and a daemon's stand-in over a real archive."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.publishing.listener import Listener
from tests.publishing.mosquitto import MISSING, MOSQUITTO, Mosquitto


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    if MOSQUITTO is None:
        pytest.skip(MISSING)
    broker = Mosquitto(tmp_path / "broker").start()
    yield broker
    broker.stop()


@pytest.fixture
def listener(broker: Mosquitto) -> Iterator[Listener]:
    with Listener(broker.port) as listener:
        yield listener
