"""One screen in command: several may watch a bench, one at a time tells it what to do.

A screen says who it is with every request and with its live stream (headers
``X-Screen`` and ``X-Screen-Name``, see ``acquire.wire.Screen``). The first one
that tells the bench to do something, or that asks for it, is in command until
another takes over, or until its live stream has been gone for ``HELD_US``.
Requests without a screen (scripts, commands typed in a terminal) and the
instruments' own buttons are neither refused nor change who commands.
"""

import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from acquire.clock import Clock
from acquire.records import Action, Entry, Frame, Refused
from acquire.wire import Screen

HELD_US = 10_000_000
Signed = TypeVar("Signed", Action, Entry)


class NotInCommand(Refused):
    """Another screen is in command; the sentence names it."""


class Command:
    """Who is in command. Every method may be called from any thread.

    ``announce`` gets one sentence for everybody when command passes from one screen to another.
    """

    def __init__(self, clock: Clock, announce: Callable[[str], None]) -> None:
        self._clock = clock
        self._announce = announce
        self._lock = threading.Lock()
        self._streams: Counter[str] = Counter()
        self._screen: Screen | None = None
        self._heard_us = 0
        self._shown: tuple[Frame, Frame] | None = None

    def admit(self, screen: Screen | None) -> None:
        """Let a request that changes something pass. Raises ``NotInCommand``."""
        if screen is None:
            return
        with self._lock:
            holder = self._holder()
            if holder is not None and holder.id != screen.id:
                raise NotInCommand(f"The screen '{holder.name}' is in command: press the hand-over key to take over.")
            self._pass_to(screen)

    def take(self, screen: Screen) -> None:
        """Hand command over to a screen, whoever had it."""
        with self._lock:
            self._pass_to(screen)

    @contextmanager
    def streaming(self, screen: Screen | None) -> Iterator[None]:
        """For as long as a screen's live stream is open."""
        if screen is None:
            yield
            return
        with self._lock:
            self._streams[screen.id] += 1
        try:
            yield
        finally:
            with self._lock:
                if self._screen is not None and self._screen.id == screen.id:
                    self._heard_us = self._clock.t_us()
                self._streams[screen.id] -= 1
                self._streams += Counter()  # drops those at zero

    def show(self, frame: Frame) -> Frame:
        """A frame with who is in command; the same object for as long as both are the same."""
        with self._lock:
            holder = self._holder()
            name, its_id = (holder.name, holder.id) if holder is not None else ("", "")
            if self._shown is not None:
                of, shown = self._shown
                if of is frame and (shown.commander, shown.commander_id) == (name, its_id):
                    return shown
            shown = frame.model_copy(update={"commander": name, "commander_id": its_id})
            self._shown = (frame, shown)
            return shown

    def _holder(self) -> Screen | None:
        """Who holds command now; nobody once its stream has been gone for too long."""
        screen = self._screen
        if screen is None or self._streams[screen.id] > 0:
            return screen
        return screen if self._clock.t_us() - self._heard_us <= HELD_US else None

    def _pass_to(self, screen: Screen) -> None:
        before, self._screen = self._screen, screen
        self._heard_us = self._clock.t_us()
        if before is not None and before.id != screen.id:
            self._announce(f"The screen '{screen.name}' is in command now.")


def signed(action: Signed, screen: Screen | None) -> Signed:
    """The action or entry as it is recorded: with the screen it came from, unless it says who did it."""
    if screen is None or action.by:
        return action
    return action.model_copy(update={"by": screen.name})
