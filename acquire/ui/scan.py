"""Tells a key pressed by a person from the text that a barcode scanner types."""

GAP_S = 0.05
_LEAST = 3


class ScanGate:
    """Collects printable keys until it is clear what they are. Pure: time is passed in.

    A person's key comes alone; a scanner's come within milliseconds and end
    with Enter. Without this, a label scanned at the wrong moment would skip
    steps with every "s" in it. What counts is when a key was typed, not when a
    busy screen came to it: ``typed_s`` and ``heard_s``, each of a clock of its own.
    """

    def __init__(self) -> None:
        self._typed: list[tuple[str, str]] = []
        self._typed_s = self._heard_s = 0.0
        self._late = False

    @property
    def waiting(self) -> bool:
        """Whether keys are held back."""
        return bool(self._typed) and not self._late

    def key(self, name: str, character: str, typed_s: float, heard_s: float) -> list[str]:
        """Hold a printable key back; the keys before it that turned out to be a person's."""
        released = self._end() if typed_s - self._typed_s >= GAP_S else []
        self._typed.append((name, character))
        self._typed_s, self._heard_s, self._late = typed_s, heard_s, False
        return released

    def flush(self) -> str:
        """The characters that were held back, as text: what came after shows that they belong to one."""
        text = "" if self._late else "".join(character for _, character in self._typed)
        self._end()
        return text

    def release(self, heard_s: float) -> list[str]:
        """The names of keys that a person pressed, once no more can belong to them."""
        if not self._typed or heard_s - self._heard_s < GAP_S:
            return []
        # nobody types as fast: they press nothing, and their Enter may only be late
        self._late = len(self._typed) >= _LEAST
        return [] if self._late else self._end()

    def enter(self, typed_s: float) -> str:
        """Enter was pressed: the scanned text if it ends one, else nothing."""
        if len(self._typed) < _LEAST or typed_s - self._typed_s >= GAP_S:
            return ""
        text = "".join(character for _, character in self._typed).strip()
        self._end()
        return text

    def _end(self) -> list[str]:
        names = [name for name, _ in self._typed]
        self._typed.clear()
        self._late = False
        return names if len(names) < _LEAST else []
