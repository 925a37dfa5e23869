"""The service in a thread of the test's own process."""

import threading
from types import TracebackType

from acquire.service import Service


class ServiceThread:
    """A service for as long as a ``with`` lasts; it is ready when that begins."""

    def __init__(self, service: Service) -> None:
        self.service = service
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, name="service")

    def _run(self) -> None:
        try:
            self.service.run(lambda _url: self._ready.set())
        finally:
            self._ready.set()

    def __enter__(self) -> Service:
        self._thread.start()
        self._ready.wait()
        return self.service

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.service.stop()
        self._thread.join()
