"""Dots for small plots: each character cell holds two by four dots of a braille pattern."""

_BITS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))


class Dots:
    """A field of dots, ``2 * columns`` wide and ``4 * rows`` high; (0, 0) is top left."""

    def __init__(self, columns: int, rows: int) -> None:
        self.columns, self.rows = columns, rows
        self.width, self.height = columns * 2, rows * 4
        self._cells = [[0] * columns for _ in range(rows)]

    def dot(self, x: int, y: int) -> None:
        """Set one dot; outside the field nothing happens."""
        if 0 <= x < self.width and 0 <= y < self.height:
            self._cells[y // 4][x // 2] |= _BITS[y % 4][x % 2]

    def line(self, x0: int, y0: int, x1: int, y1: int, every: int = 1) -> None:
        """Set the dots from one to the other, or every so many of them."""
        steps = max(abs(x1 - x0), abs(y1 - y0), 1)
        for i in range(0, steps + 1, every):
            self.dot(round(x0 + (x1 - x0) * i / steps), round(y0 + (y1 - y0) * i / steps))

    def text(self) -> list[str]:
        """The field as rows of characters; a cell without dots is a blank."""
        return ["".join(chr(0x2800 + bits) if bits else " " for bits in row) for row in self._cells]
