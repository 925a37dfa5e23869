"""Screens where a letter or a digit acts at once: held until it is clear that no scanner types it."""

from textual import events

from acquire.ui.scan import GAP_S, ScanGate
from acquire.ui.screens.place import PlaceScreen, R


class HeldKeys(PlaceScreen[R]):
    """A code scanned here is one text and never its keys, of which a ``y`` could be the answer to a question."""

    def __init__(self) -> None:
        super().__init__()
        self.gate = ScanGate()

    def intercept(self, event: events.Key) -> bool:
        """Letters and digits wait a moment, the rest acts at once."""
        character = event.character or ""
        if event.key == "enter":
            text = self.gate.enter(event.time)
            if text:
                self.scanned(text)
            return bool(text)
        if not character or not character.isprintable() or (character == " " and not self.gate.waiting):
            return False
        for name in self.gate.key(event.key, character, event.time, self.dash.now_s()):
            self.perform(name)
        self.set_timer(GAP_S * 1.2, self._release)
        return True

    def _release(self) -> None:
        released = self.gate.release(self.dash.now_s())
        if self.is_current:
            for name in released:
                self.perform(name)

    def on_paste(self, event: events.Paste) -> None:
        """Some scanners paste."""
        event.stop()
        if event.text.strip():
            self.scanned(event.text.strip().splitlines()[0])

    def scanned(self, text: str) -> None:
        """A code was scanned."""
        raise NotImplementedError
