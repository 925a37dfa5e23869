"""The real daemon publishes a pull on the simulated bench, is killed in the middle, and goes on."""

import signal
import subprocess
import sys
import time
from pathlib import Path

from acquire.demo.plan import demo_requests
from acquire.demo.run import demo_config_text, operator_follows, simulated_bench
from acquire.listening import Listening
from acquire.store.reader import ArchiveReader
from tests.publishing.listener import Listener
from tests.publishing.mosquitto import Mosquitto
from tests.whole.killing import SPEED, connect
from tests.whole.virtual import demo_config


def start(folder: Path) -> "subprocess.Popen[bytes]":
    command = [sys.executable, "-m", "acquire", "serve", "--config", str(folder / "bench.toml")]
    command += ["--db", str(folder / "archive.db"), "--clock-speed", str(SPEED)]
    null = subprocess.DEVNULL
    return subprocess.Popen(command, stdin=null, stdout=null, stderr=null)


def test_a_killed_daemon_publishes_every_point_of_the_pull_once(
    tmp_path: Path, broker: Mosquitto, listener: Listener
) -> None:
    publish = f'\n[publish]\nbroker = "127.0.0.1"\nport = {broker.port}\ntopic = "shop/demo"\nlive_every = "0.2 s"\n'
    with simulated_bench(5, SPEED) as sim:
        (tmp_path / "bench.toml").write_text(demo_config_text(sim.ports) + publish, encoding="utf-8")
        process = start(tmp_path)
        try:
            client = connect(process.pid)
            listener.until(lambda: listener.states() == [True])
            assert client.status().publishing == f"publishing to 127.0.0.1:{broker.port} as shop/demo"
            with Listening(client, lambda _: None), operator_follows(client, sim):
                pull_id = client.begin(demo_requests(demo_config())[0])
                listener.until(lambda: len(listener.points()) >= 1)
                process.send_signal(signal.SIGKILL)
                process.wait()
            listener.until(lambda: listener.states() == [True, False])
            process = start(tmp_path)
            client = connect(process.pid)
            client.resume(pull_id)
            with Listening(client, lambda _: None), operator_follows(client, sim):
                until = time.monotonic() + 60
                while client.open_pulls():
                    assert time.monotonic() < until
                    time.sleep(0.05)
            with ArchiveReader(tmp_path / "archive.db") as reader:
                kept = [(point.step + 1, point.take) for point in reader.pull(pull_id).points]
            listener.until(lambda: len(listener.points()) >= len(kept))
            process.send_signal(signal.SIGTERM)
            process.wait()
            listener.until(lambda: listener.states()[-1] is False and listener.states().count(True) == 2)
        finally:
            process.kill()
            process.wait()
    assert [(said["step"], said["take"]) for said in listener.points()] == kept
    assert all(said["simulated"] for said in listener.points())
