"""Tells a key pressed by a person from the text that a barcode scanner types."""

GAP_S = 0.05
_LEAST = 3


class ScanGate:
    """Collects printable keys until it is clear what they are. Pure: time is passed in.

    A person's key comes alone; a scanner's come within milliseconds and end
    with Enter. Without this, a label scanned at the wrong moment would skip
    steps with every "s" in it.
    """

    def __init__(self) -> None:
        self._typed: list[tuple[str, str]] = []
        self._last_s = 0.0

    @property
    def waiting(self) -> bool:
        """Whether keys are held back."""
        return bool(self._typed)

    def key(self, name: str, character: str, now_s: float) -> list[str]:
        """Hold a printable key back; the keys before it that turned out to be a person's."""
        released = self.release(now_s)
        self._typed.append((name, character))
        self._last_s = now_s
        return released

    def flush(self) -> str:
        """The characters that were held back, as text: what came after shows that they belong to one."""
        text = "".join(character for _, character in self._typed)
        self._typed.clear()
        return text

    def release(self, now_s: float) -> list[str]:
        """The names of keys that a person pressed, once no more can belong to them."""
        if not self._typed or now_s - self._last_s < GAP_S:
            return []
        names = [name for name, _ in self._typed]
        self._typed.clear()
        return names if len(names) < _LEAST else []

    def enter(self, now_s: float) -> str:
        """Enter was pressed: the scanned text if it ends one, else nothing."""
        if len(self._typed) < _LEAST or now_s - self._last_s >= GAP_S:
            return ""
        text = "".join(character for _, character in self._typed).strip()
        self._typed.clear()
        return text
