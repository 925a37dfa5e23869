"""Keys of the bench while a value is to be typed: by a person, or by a device that types.

A digit begins the value without any key before it. While the field holds text
every key goes into it; on an empty field signs and letters keep their
meaning. A device types in one burst, and all of its burst is text: the gate
that tells a scanner from a person holds a sign back until that is clear.
"""

from typing import TYPE_CHECKING

from textual import events

from acquire.ui.scan import ScanGate
from acquire.ui.screens.place import PlaceScreen
from acquire.ui.widgets.entry import Entry, begins
from acquire.ui.words import sentence_of

if TYPE_CHECKING:
    from acquire.records import Frame

# a device's carriage return and line feed are one Enter
ECHO_S = 1.0


class EntryKeys(PlaceScreen[None]):
    """The part of the bench screen that takes what is typed."""

    _gate: ScanGate

    def __init__(self) -> None:
        super().__init__()
        self.entry = Entry()
        self._sent_s = -1e9

    @property
    def watching(self) -> bool:
        """Whether another screen is in command of the bench."""
        frame, screen = self.dash.seen.frame, self.dash.bench.screen
        return frame is not None and screen is not None and frame.commander_id not in ("", screen.id)

    def asked(self) -> tuple[str, str]:
        """The channel that a value typed now is for, and its unit; both empty where none is, or not of this screen."""
        frame = self._frame_now()
        if frame is None or not frame.guide.typed or self.dash.recorded is not None or self.watching:
            return "", ""
        if self.entry.again and self.entry.again != frame.guide.typed:
            its = self.dash.bench_facts.channels.get(self.entry.again)
            if its is not None:
                return self.entry.again, its.settings.unit
        return frame.guide.typed, frame.guide.typed_unit

    def _frame_now(self) -> "Frame | None":
        frame = self.dash.seen.frame
        return frame if frame is not None and frame.pull is not None and frame.pull.outcome is None else None

    def _of(self) -> tuple[str, object]:
        """The channel, the phase and the step that a value typed now belongs to."""
        frame = self._frame_now()
        pull = frame.pull if frame is not None else None
        return self.asked()[0], (pull.phase, pull.now) if pull is not None else None

    def forget_old(self) -> None:
        """Put away text that was begun for another channel or step: it must not be taken for this one's."""
        if self.entry.text and not self.entry.sending and self.entry.of != self._of():
            self.entry.clear()
            why = "Another screen is in command" if self.watching else "The step has changed"
            self.dash.say(f"{why}: what was in the field was put away", bad=True)

    def typed_key(self, event: events.Key) -> bool:
        """Whether this key belongs to a value that is asked for."""
        entry, character = self.entry, event.character or ""
        if not self.asked()[0]:
            return False
        if event.key == "enter":
            # the beginning of a burst that only Enter ends
            if self._gate.waiting and entry.text:
                self._put(self._gate.flush())
            if entry.text:
                self.send_entry()
                return True
            return not self._gate.waiting and self.dash.now_s() - self._sent_s < ECHO_S
        if event.key == "backspace" and entry.text:
            entry.back()
        elif event.key == "escape" and (entry.text or entry.again):
            entry.clear()
        elif character and character.isprintable() and (entry.text or begins(character)):
            self._put(self._gate.flush() + character)
        else:
            return False
        self.draw()
        return True

    def _put(self, characters: str) -> None:
        for character in characters:
            self.entry.key(character, self._of())

    def typed_text(self, text: str) -> bool:
        """A whole text at once, from a device or pasted; whether it belongs to a value that is asked for."""
        if not self.asked()[0]:
            return False
        self.entry.clear()
        self._put(text)
        self.send_entry()
        return True

    def send_entry(self) -> None:
        """Send what is in the field; it stays, with the reason, when it is refused."""
        entry, (channel, _) = self.entry, self.asked()
        if entry.sending:
            return
        if unheard := self.dash.unheard():
            entry.fault = unheard
            self.draw()
            return
        entry.sending, self._sent_s = True, self.dash.now_s()
        text = entry.text

        def answered(refused: str) -> None:
            entry.sending = False
            if refused:
                entry.fault = refused
            else:
                entry.clear()
            self.draw()

        def ask() -> str:
            try:
                self.dash.bench.enter(channel, text)
            except Exception as error:  # said beside the field, which keeps what was typed
                return sentence_of(error)
            return ""

        self.dash.with_answer(ask, answered)

    def draw(self) -> None:
        """Show what the watch knows now."""
        raise NotImplementedError

    def do_type(self) -> None:
        """A digit where none is asked for."""
        self.dash.say("No value is asked for now")

    def do_retype(self) -> None:
        """Type the value before again."""
        channel, _ = self.asked()
        known = [name for name, its in self.dash.bench_facts.channels.items() if its.typed]
        order = [name for name in ("lift", "test_pressure", "meter_pressure") if name in known]
        if channel not in order or order.index(channel) == 0:
            self.dash.say("There is no value before this one")
            return
        self.entry.again = order[order.index(channel) - 1]
        self.draw()
