"""A real broker on a free port of this machine, that can be killed and started again."""

import shutil
import socket
import subprocess
import time
from pathlib import Path

PLACES = "/usr/sbin:/usr/local/sbin:/opt/homebrew/sbin"
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path=PLACES)
PASSWD = shutil.which("mosquitto_passwd") or "mosquitto_passwd"
MISSING = "mosquitto is not installed here: the package mosquitto of your system brings it"


class Mosquitto:
    """Keeps what it has on disk with every change, so that a kill loses nothing of it."""

    def __init__(self, folder: Path, *extra: str) -> None:
        folder.mkdir(exist_ok=True)
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port: int = probe.getsockname()[1]
        self._config = folder / "mosquitto.conf"
        lines = [
            f"listener {self.port} 127.0.0.1",
            "persistence true",
            f"persistence_location {folder}/",
            "autosave_interval 1",
            "autosave_on_changes true",
            "user root",
            *(extra or ("allow_anonymous true",)),
        ]
        self._config.write_text("\n".join(lines) + "\n", encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> "Mosquitto":
        assert MOSQUITTO is not None
        self._process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until = time.monotonic() + 10
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return self
            except OSError:
                assert time.monotonic() < until, "mosquitto does not listen"
                assert self._process.poll() is None, "mosquitto ended"
                time.sleep(0.02)

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def stop(self) -> None:
        """Ends in order: what it retains and queues is on disk."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait()
