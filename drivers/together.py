"""Ports that send by themselves, read together: one thread wakes for all of them.

A processor that has slept takes ten times as long over the first line as over
those that follow at once. So nobody waits for each port by itself: on a common
beat what has come is only taken from the ports and stamped; it is used, in the
order in which it came, when somebody looks.
"""

import logging
import select
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from drivers.base import Clock
from drivers.link import ByteLink

log = logging.getLogger(__name__)
BEAT_S = 0.02
"""Little more than the adapter of a serial port commonly holds back what it has received: 16 ms."""
_LEAST_BEAT_S = 0.002
# these are seconds of the machine
_QUIET_WAIT_S = 0.1
# where nobody looks, as while a disk does not answer, what came is used all the same
_LONGEST_S = 0.25


@dataclass(eq=False, slots=True)
class Port:
    """One of the ports, and what is to be called for it, in any thread, but never in two at once.

    ``use``: bytes came, at this time; ``tick``: time goes by; ``ended``: what
    went wrong at the port, or with its bytes, since when it is not read any more.
    ``at_once``: what came must not wait until somebody looks.
    """

    link: ByteLink
    fd: int
    use: Callable[[bytes, int], None]
    tick: Callable[[int], None]
    ended: Callable[[Exception], None]
    at_once: bool = False
    over: bool = field(default=False, init=False)


class Together:
    """Reads ports from ``join`` to ``leave``.

    ``beat_s`` 0: what has come is read at once, as on a bench that runs
    faster than life. Whoever is called for a port must not wait for ``leave``.
    """

    def __init__(self, clock: Clock, beat_s: float = BEAT_S) -> None:
        self._clock = clock
        self._beat_s = beat_s if beat_s >= _LEAST_BEAT_S else 0.0
        self._ports: tuple[Port, ...] = ()
        self._thread: threading.Thread | None = None
        # held while ports are read: none of them is closed meanwhile
        self._reading = threading.Lock()
        self._came: deque[tuple[Port, bytes | Exception, int]] = deque()
        self._using = threading.RLock()
        self._user: int | None = None
        self._used_s = 0.0
        # the system keeps a port that is closed while it is waited for
        self._waits = threading.Condition()
        self._waited_for: tuple[Port, ...] = ()

    def join(self, port: Port) -> None:
        """Read this one, too."""
        with self._reading:
            if self._thread is None:
                thread = threading.Thread(target=self._run, name="ports", daemon=True)
                thread.start()  # where that fails nobody has joined
                self._thread = thread
            self._ports += (port,)

    def leave(self, port: Port) -> None:
        """Read it no more: what it has sent is used, and its link may be closed."""
        self._drop(port)
        with self._waits:
            self._waits.wait_for(lambda: port not in self._waited_for)
        self.use()

    def use(self) -> None:
        """Use what has come. Does nothing where it is called by what is being used."""
        with self._using:
            if self.is_used_here:
                return
            self._user = threading.get_ident()
            try:
                self._use_all()
            finally:
                self._user = None

    @property
    def is_used_here(self) -> bool:
        """Whether it is this thread that uses what has come."""
        return self._user == threading.get_ident()

    def _use_all(self) -> None:
        self._used_s = time.perf_counter()
        for _ in range(len(self._came)):
            port, what, t_us = self._came.popleft()
            if port.over:
                continue
            try:
                if isinstance(what, Exception):
                    raise what
                port.use(what, t_us)
            except Exception as error:
                self._end(port, error)
        now_us = self._clock.t_us()
        for port in self._ports:
            try:
                port.tick(now_us)
            except Exception as error:
                self._end(port, error)

    def _end(self, port: Port, error: Exception) -> None:
        port.over = True
        self._drop(port)
        port.ended(error)

    def _drop(self, port: Port) -> None:
        with self._reading:
            self._ports = tuple(its for its in self._ports if its is not port)

    # ------------------------------------------------------------ the thread

    def _run(self) -> None:
        try:
            self._read()
        except Exception as error:  # a fault of ours: each is opened again, and with the first of them a new thread
            log.exception("reading ports")
            with self._reading:
                ports, self._ports, self._thread = self._ports, (), None
            for port in ports:
                self._end(port, error)

    def _read(self) -> None:
        came = False
        while self._goes_on():
            if came and self._beat_s:
                time.sleep(self._beat_s - time.perf_counter() % self._beat_s)
            else:
                self._wait_for_any()
            came = self._take()
            if time.perf_counter() - self._used_s > _LONGEST_S:
                self.use()

    def _goes_on(self) -> bool:
        with self._reading:
            if not self._ports:
                self._thread = None
            return self._thread is not None

    def _wait_for_any(self) -> None:
        with self._waits:
            self._waited_for = self._ports
        try:
            select.select([port.fd for port in self._waited_for], [], [], _QUIET_WAIT_S)
        except (OSError, ValueError):
            # its number is too large to be waited for, or (on Windows) there is none
            time.sleep(BEAT_S)
        finally:
            with self._waits:
                self._waited_for = ()
                self._waits.notify_all()

    def _take(self) -> bool:
        """Take from each port what has come; whether anything has."""
        before = len(self._came)
        with self._reading:
            for port in self._ports:
                try:
                    data = port.link.read(0.0)
                except Exception as error:
                    self._came.append((port, error, self._clock.t_us()))
                    self._used_s = 0.0  # not to wait until somebody looks
                    continue
                if data:
                    self._came.append((port, data, self._clock.t_us()))
                    if port.at_once:
                        self._used_s = 0.0
        return len(self._came) > before
