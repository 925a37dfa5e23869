"""A bench publishes to a real broker: what arrives, in which order, and after which troubles."""

import contextlib
import json
import logging
import shutil
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

import pytest

from acquire.clock import SystemClock
from acquire.config import ConfigError, parse_config
from acquire.publishing.publisher import Publisher
from acquire.publishing.settings import Publish
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from acquire.units import from_si
from tests.publishing.listener import Listener
from tests.publishing.mosquitto import MISSING, MOSQUITTO, PASSWD, Mosquitto
from tests.service.bench import FakeEngine
from tests.store.examples import CONFIG, POINT, begin, point

TOPIC = "shop/bench 1"


class Bench:
    """A daemon's stand-in over a real archive, into which points are committed as the engine commits them."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "archive.db"
        self.archive = Archive.open(self.path)
        self.engine = FakeEngine(self.path)
        self.pull_id, self.session_id = begin(self.archive)
        with ArchiveReader(self.path) as reader:
            self.uid = reader.pull(self.pull_id).uid
        self.taken = 0

    def take(self, count: int = 1) -> None:
        for _ in range(count):
            its = point(self.taken % 3, self.taken // 3 + 1)
            self.archive.commit_point(self.pull_id, self.session_id, its)
            self.taken += 1
            self.engine.tell()

    def marked(self) -> tuple[int, int] | None:
        """The point that counts as published last, by step and take."""
        mark = self.path.with_name("archive.db.published.json")
        its = json.loads(mark.read_text()) if mark.exists() else {}
        return (its["step"], its["take"]) if its else None

    @property
    def names(self) -> list[tuple[int, int]]:
        return [(number % 3 + 1, number // 3 + 1) for number in range(self.taken)]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path)
    yield bench
    bench.archive.close()


def settings(port: int, **more: object) -> Publish:
    return Publish.model_validate(
        {"broker": "127.0.0.1", "port": port, "topic": TOPIC, "live_every_s": 0.1, "earlier_points": True, **more}
    )


@contextmanager
def publishing(bench: Bench, its: Publish, speed: float = 1.0) -> Iterator[Publisher]:
    publisher = Publisher(its, bench.path.parent, bench.engine, SystemClock(speed), first_wait_s=0.05)
    publisher.start()
    try:
        yield publisher
    finally:
        publisher.stop()


def names(listener: Listener) -> list[tuple[int, int]]:
    return [(said["step"], said["take"]) for said in listener.points()]


def test_a_point_arrives_with_what_it_is_a_point_of(bench: Bench, broker: Mosquitto, listener: Listener) -> None:
    with publishing(bench, settings(broker.port)):
        bench.take()
        listener.until(lambda: len(listener.points()) == 1)
    (said,) = listener.points()
    assert (said["pull"], said["step"], said["take"]) == (bench.uid, 1, 1)
    assert (said["subject"], said["direction"], said["bench"]) == ("H-0042", "intake", "bench A")
    assert said["flow_m3_s"] == POINT.flow.flow_m3_s
    assert said["flow"] == pytest.approx(from_si(POINT.flow.flow_m3_s, "cfm"))
    assert said["flow_unit"] == "cfm"
    assert (said["simulated"], said["settled"], said["held"]) == (False, True, True)


def test_the_bench_says_that_it_is_there_and_that_it_leaves(
    bench: Bench, broker: Mosquitto, listener: Listener
) -> None:
    with publishing(bench, settings(broker.port)):
        listener.until(lambda: listener.states() == [True])
    listener.until(lambda: listener.states() == [True, False])
    with Listener(broker.port, "shop/bench 1/state", name="late") as late:
        late.until(lambda: late.states() == [False])  # retained


def test_the_broker_tells_when_the_bench_is_gone_without_a_word(
    bench: Bench, broker: Mosquitto, listener: Listener
) -> None:
    from acquire.publishing.broker import Broker

    gone = Broker(settings(broker.port), bench.path.parent, f"{TOPIC}/state", b'{"online": false}')
    gone.send(f"{TOPIC}/state", b'{"online": true}', retain=True)
    gone._client.loop_stop()
    its_socket = gone._client.socket()
    assert its_socket is not None
    its_socket.close()  # what the system does when a process is killed
    listener.until(lambda: listener.states() == [True, False])


def test_live_values_are_published_while_nothing_is_taken(bench: Bench, broker: Mosquitto, listener: Listener) -> None:
    with publishing(bench, settings(broker.port)):
        listener.until(lambda: sum(topic.endswith("/live") for topic, _, _ in listener.heard) >= 3)
    live = next(said for topic, said, _ in listener.heard if topic.endswith("/live"))
    assert live["flow_m3_s"] == 0.04
    assert live["sentence"] == "Begin a pull."


def test_after_an_outage_of_the_broker_exactly_the_missing_points_arrive(
    bench: Bench, broker: Mosquitto, listener: Listener
) -> None:
    with publishing(bench, settings(broker.port)):
        bench.take(2)
        listener.until(lambda: len(listener.points()) == 2)
        broker.stop()
        bench.take(5)
        broker.start()
        bench.take(1)
        listener.until(lambda: len(listener.points()) >= 8)
    assert names(listener) == bench.names


def test_points_taken_while_nothing_published_arrive_when_the_daemon_is_back(
    bench: Bench, broker: Mosquitto, listener: Listener
) -> None:
    with publishing(bench, settings(broker.port)):
        bench.take(2)
        listener.until(lambda: len(listener.points()) == 2)
    bench.take(3)
    with publishing(bench, settings(broker.port)):
        listener.until(lambda: len(listener.points()) >= 5)
    assert names(listener) == bench.names


def test_a_machine_that_died_before_it_marked_a_sent_point_sends_none_twice(
    bench: Bench, broker: Mosquitto, listener: Listener
) -> None:
    mark = bench.path.with_name("archive.db.published.json")
    with publishing(bench, settings(broker.port)):
        bench.take(2)
        listener.until(lambda: len(listener.points()) == 2)
        kept = mark.read_bytes()
        bench.take(2)
        listener.until(lambda: len(listener.points()) == 4)
    mark.write_bytes(kept)  # as if the power had gone before the later marks were written
    bench.take(1)
    with publishing(bench, settings(broker.port)):
        listener.until(lambda: len(listener.points()) >= 5)
    assert names(listener) == bench.names


def test_a_lost_mark_is_made_good_by_what_the_broker_keeps(bench: Bench, broker: Mosquitto, listener: Listener) -> None:
    with publishing(bench, settings(broker.port)):
        bench.take(4)
        listener.until(lambda: len(listener.points()) == 4)
    bench.path.with_name("archive.db.published.json").unlink()
    bench.take(1)
    with publishing(bench, settings(broker.port)):
        listener.until(lambda: len(listener.points()) >= 5)
    assert names(listener) == bench.names


@pytest.mark.parametrize("lost", ["gone", "spoilt"])
def test_a_lost_mark_skips_no_point_where_earlier_ones_stay_at_home(
    bench: Bench, broker: Mosquitto, listener: Listener, lost: str
) -> None:
    mark = bench.path.with_name("archive.db.published.json")
    with publishing(bench, settings(broker.port, earlier_points=False)):
        wait(mark.exists)
        bench.take(2)
        listener.until(lambda: len(listener.points()) == 2)
    bench.take(2)
    mark.unlink() if lost == "gone" else mark.write_bytes(b"\0" * 40)
    broker.stop()
    with publishing(bench, settings(broker.port, earlier_points=False)) as publisher:
        wait(lambda: "cannot be reached" in publisher.standing)
        broker.start()
        bench.take(1)
        listener.until(lambda: len(listener.points()) >= 5)
    assert names(listener) == bench.names


def test_what_is_taken_before_the_broker_is_reached_for_the_first_time_is_sent(
    bench: Bench, broker: Mosquitto, listener: Listener
) -> None:
    bench.take(1)
    broker.stop()
    with publishing(bench, settings(broker.port, earlier_points=False)) as publisher:
        wait(lambda: "cannot be reached" in publisher.standing)
        bench.take(2)
        broker.start()
        listener.until(lambda: len(listener.points()) >= 2)
    assert names(listener) == bench.names[1:]


def test_a_cut_before_the_answer_to_a_sent_point_sends_none_twice(
    bench: Bench, broker: Mosquitto, listener: Listener
) -> None:
    with Cutter(broker.port) as cutter, publishing(bench, settings(cutter.port)):
        bench.take(1)
        wait(lambda: bench.marked() == bench.names[-1])
        cutter.swallow_answers()
        bench.take(1)
        listener.until(lambda: len(listener.points()) == 2)  # the broker has it, the bench does not know
        cutter.cut()
        bench.take(2)
        listener.until(lambda: len(listener.points()) >= 4)
    assert names(listener) == bench.names


def test_what_was_taken_before_publishing_was_set_up_stays_at_home_unless_asked_for(
    bench: Bench, broker: Mosquitto, listener: Listener
) -> None:
    bench.take(3)
    with publishing(bench, settings(broker.port, earlier_points=False)):
        listener.until(lambda: listener.states() == [True])
        listener.until(lambda: any(topic.endswith("/live") for topic, _, _ in listener.heard))
        bench.take(1)
        listener.until(lambda: len(listener.points()) >= 1)
    assert names(listener) == bench.names[3:]


def test_another_archive_under_the_same_topic_goes_on_from_what_it_holds(
    bench: Bench, broker: Mosquitto, listener: Listener, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with publishing(bench, settings(broker.port)):
        bench.take(2)
        listener.until(lambda: len(listener.points()) == 2)
    mark = bench.path.with_name("archive.db.published.json")
    (tmp_path / "other").mkdir()
    other = Bench(tmp_path / "other")
    shutil.copy(mark, other.path.with_name(mark.name))
    other.take(2)
    with publishing(other, settings(broker.port)):
        listener.until(lambda: listener.states()[-1] and listener.states().count(True) == 2)
        other.take(1)
        listener.until(lambda: len(listener.points()) >= 3)
    other.archive.close()
    assert [said["pull"] for said in listener.points()] == [bench.uid, bench.uid, other.uid]
    assert "does not hold the point that was published last" in caplog.text


def test_two_benches_under_one_topic_are_told_and_the_one_that_stays_publishes_again(
    bench: Bench, broker: Mosquitto, listener: Listener, tmp_path: Path
) -> None:
    told = (
        f"the broker 127.0.0.1:{broker.port} ends each connection soon after it is made: another bench probably "
        f"publishes under the topic '{TOPIC}', give each bench its own topic in [publish]"
    )
    its = settings(broker.port, live_every_s=0.5)  # as rarely is seen that a connection is lost
    (tmp_path / "other").mkdir()
    other = Bench(tmp_path / "other")
    with publishing(bench, its) as ours:
        wait(lambda: ours.well)
        with publishing(other, its) as theirs:
            wait(lambda: ours.said() == (told, False))
            wait(lambda: theirs.said() == (told, False))
        wait(lambda: ours.well)
        assert ours.standing.startswith("publishing to")
        bench.take(1)
        listener.until(lambda: any(said["pull"] == bench.uid for said in listener.points()))
    other.archive.close()


def test_connections_that_are_lost_after_a_while_are_no_other_bench(
    bench: Bench, broker: Mosquitto, listener: Listener, caplog: pytest.LogCaptureFixture
) -> None:
    def lives() -> int:
        return sum(topic.endswith("/live") for topic, _, _ in listener.heard)

    with Cutter(broker.port) as cutter, publishing(bench, settings(cutter.port), speed=20.0) as publisher:
        for _ in range(4):
            wait(lambda: cutter.connected and publisher.well)
            some = lives() + 2  # between them two seconds of that clock: longer than what another bench ends
            listener.until(lambda some=some: lives() >= some)  # type: ignore[misc]
            cutter.cut()
        wait(lambda: cutter.connected and publisher.well)
    assert "is gone" in caplog.text
    assert "another bench" not in caplog.text


def test_a_broker_that_is_away_holds_up_nothing_and_is_said_once(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING), publishing(bench, settings(1)) as publisher:
        bench.take(3)
        wait(lambda: "cannot be reached" in publisher.standing)
        threading.Event().wait(0.3)
        assert not publisher.well
    said = [record.message for record in caplog.records]
    assert len(said) == 1
    assert "the broker 127.0.0.1:1 cannot be reached" in said[0]


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate of this machine's own that is its own authority."""
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("openssl is not installed here")
    folder = tmp_path_factory.mktemp("tls")
    ask = "req -x509 -newkey rsa:2048 -nodes -keyout key.pem -out ca.pem -days 2 -subj /CN=127.0.0.1"
    name = ["-addext", "subjectAltName=IP:127.0.0.1"]
    subprocess.run([openssl, *ask.split(), *name], cwd=folder, check=True, capture_output=True)
    return folder


@pytest.fixture
def guarded(tmp_path: Path, certificates: Path) -> Iterator[Mosquitto]:
    """A broker with TLS and passwords; ours is in the file ``secret``."""
    if MOSQUITTO is None:
        pytest.skip(MISSING)
    (tmp_path / "secret").write_text("loud room\n", encoding="utf-8")
    (tmp_path / "secret").chmod(0o600)
    users = tmp_path / "users"
    subprocess.run([PASSWD, "-b", "-c", str(users), "bench", "loud room"], check=True, capture_output=True)
    tls = [f"cafile {certificates}/ca.pem", f"certfile {certificates}/ca.pem", f"keyfile {certificates}/key.pem"]
    its = Mosquitto(tmp_path / "broker", "allow_anonymous false", f"password_file {users}", *tls)
    its.start()
    yield its
    its.stop()


def test_points_travel_encrypted_with_user_and_password(bench: Bench, guarded: Mosquitto, certificates: Path) -> None:
    ca = str(certificates / "ca.pem")
    secure = settings(guarded.port, tls=True, ca_file=ca, user="bench", password_file="secret")
    with (
        Listener(guarded.port, tls=ca, user="bench", password="loud room") as listener,
        publishing(bench, secure),
    ):
        bench.take(1)
        listener.until(lambda: len(listener.points()) == 1)


# the library leaves the socket of a refused handshake to be collected
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"ca_file": ""}, "is not trusted"),
        ({"user": "somebody"}, "refuses"),
        ({"password_file": "missing"}, "password_file"),
        ({"ca_file": "missing.pem"}, "cannot be used"),
    ],
)
def test_what_the_broker_refuses_is_said(
    bench: Bench, guarded: Mosquitto, certificates: Path, change: dict[str, str], said: str
) -> None:
    keys = {"tls": True, "ca_file": str(certificates / "ca.pem"), "user": "bench", "password_file": "secret", **change}
    with publishing(bench, settings(guarded.port, **keys)) as publisher:
        wait(lambda: said in publisher.standing)
        assert not publisher.well


def test_a_password_file_that_others_can_read_is_refused(bench: Bench, guarded: Mosquitto, certificates: Path) -> None:
    (bench.path.parent / "secret").chmod(0o644)
    keys = {"tls": True, "ca_file": str(certificates / "ca.pem"), "user": "bench", "password_file": "secret"}
    with publishing(bench, settings(guarded.port, **keys)) as publisher:
        wait(lambda: "make it private with chmod 600" in publisher.standing)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('topic = "shop/#"', "must be a plain path"),
        ('topic = "shop"\npassword_file = "secret"', "needs user beside it"),
        ('topic = "shop"\nca_file = "ca.pem"', "need tls = true"),
        ('topic = "shop"\nlive_every = "1 h 1"', "publish.live_every"),
        ('topic = "shop"\nbrokr = "x"', "did you mean broker"),
    ],
)
def test_a_table_that_cannot_be_meant_is_refused_in_one_sentence(line: str, said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        parse_config(f'{CONFIG}\n[publish]\nbroker = "b"\n{line}\n', "bench.toml")


def wait(found: Callable[[], bool]) -> None:
    until = SystemClock()
    while until.t_us() < 10_000_000:
        if found():
            return
        threading.Event().wait(0.01)
    raise AssertionError("it did not come")


class Cutter:
    """A relay to the broker whose way back can be stopped, and which can be cut."""

    def __init__(self, to_port: int) -> None:
        self._to_port = to_port
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._ends: list[socket.socket] = []
        self._swallowing = False

    def __enter__(self) -> "Cutter":
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with contextlib.suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self.cut()
        for end in self._ends:
            end.close()

    @property
    def connected(self) -> bool:
        return bool(self._pairs)

    def swallow_answers(self) -> None:
        self._swallowing = True

    def cut(self) -> None:
        pairs, self._pairs = self._pairs, []
        for end in (end for pair in pairs for end in pair):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
        self._swallowing = False

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._listening.accept()
                far = socket.create_connection(("127.0.0.1", self._to_port))
                self._pairs.append((near, far))
                self._ends += [near, far]
                threading.Thread(target=self._pass, args=(near, far, False), daemon=True).start()
                threading.Thread(target=self._pass, args=(far, near, True), daemon=True).start()

    def _pass(self, source: socket.socket, to: socket.socket, back: bool) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                if back and self._swallowing and data[0] == 0x70:  # PUBCOMP: the broker has it for good
                    continue
                to.sendall(data)
        for end in (source, to):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
