"""Figures built from bars that grow with the space they get, and small block letters.

Both are painted in half rows: one character cell holds an upper and a lower
pixel, which makes pixels nearly square.
"""

Pixels = list[list[bool]]

# which of the seven bars each figure has: top, upper left, upper right, middle, lower left, lower right, bottom
_BARS = {
    "0": "TuUlLB",
    "1": "",
    "2": "TUMlB",
    "3": "TUMLB",
    "4": "uUML",
    "5": "TuMLB",
    "6": "TuMlLB",
    "7": "TUL",
    "8": "TuUMlLB",
    "9": "TuUMLB",
    "-": "M",
    " ": "",
}


def _bar_figure(sign: str, width: int, height: int, across: int, along: int) -> Pixels:
    """One figure; ``across`` is the thickness of upright bars, ``along`` of flat ones."""
    grid = [[False] * width for _ in range(height)]

    def fill(x0: int, x1: int, y0: int, y1: int) -> None:
        for y in range(max(0, y0), min(height, y1)):
            for x in range(max(0, x0), min(width, x1)):
                grid[y][x] = True

    middle = (height - along) // 2
    if sign == "1":
        x = width - across - (width - across) // 3
        fill(x, x + across, 0, height)
        fill(x - across, x, along, 2 * along)
        return grid
    bars = _BARS[sign]
    places = {
        "T": (0, width, 0, along),
        "M": (0, width, middle, middle + along),
        "B": (0, width, height - along, height),
        "u": (0, across, 0, middle + along),
        "U": (width - across, width, 0, middle + along),
        "l": (0, across, middle, height),
        "L": (width - across, width, middle, height),
    }
    for bar in bars:
        fill(*places[bar])
    return grid


def _measure(text: str, width: int, across: int) -> int:
    gap = max(1, across)
    return sum(across if sign == "." else width for sign in text) + gap * (len(text) - 1)


def figure_pixels(text: str, columns: int, height: int, thin: bool = False) -> Pixels:
    """``text`` (figures, point, minus) as pixels, the largest that fits; empty when none does."""
    best = 0
    for width in range(3, max(3, round(height * 0.75)) + 1):
        if _measure(text, width, _thickness(width)) <= columns:
            best = width
    if not text or not best or height < 5:
        return []
    across = _thickness(best)
    along = 1 if thin else max(1, min(across, height // 5))
    gap = max(1, across)
    rows: Pixels = [[] for _ in range(height)]
    for place, sign in enumerate(text):
        if sign == ".":
            block = [[y >= height - along] * across for y in range(height)]
        else:
            block = _bar_figure(sign, best, height, across, along)
        for y, row in enumerate(rows):
            row.extend(([False] * gap if place else []) + block[y])
    return rows


def _thickness(width: int) -> int:
    return 1 if width < 6 else max(2, round(width / 4))


def half_rows(pixels: Pixels) -> list[str]:
    """Pixels as text, two rows of pixels in one row of characters."""
    blocks = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}
    rows = []
    for y in range(0, len(pixels), 2):
        below = pixels[y + 1] if y + 1 < len(pixels) else [False] * len(pixels[y])
        rows.append("".join(blocks[pair] for pair in zip(pixels[y], below, strict=True)))
    return rows


_FADED = str.maketrans("█▀▄", "▒░░")


def figure_rows(text: str, columns: int, rows: int, hatched: bool = False) -> list[str]:
    """``text`` in at most ``rows`` by ``columns`` cells; ``hatched`` for a number not to be trusted."""
    if hatched and rows < 5:
        return [row.translate(_FADED) for row in half_rows(figure_pixels(text, columns, rows * 2))]
    if hatched:
        # whole cells in a grey pattern: coarser and lighter than a number that lives
        pixels = figure_pixels(text, columns, rows, thin=rows < 10)
        return ["".join("▒" if on else " " for on in row) for row in pixels]
    return half_rows(figure_pixels(text, columns, rows * 2))


# five rows of pixels each, written row by row
_LETTERS = {
    "A": "010 101 111 101 101", "B": "110 101 110 101 110", "C": "011 100 100 100 011",
    "D": "110 101 101 101 110", "E": "111 100 110 100 111", "F": "111 100 110 100 100", "G": "0110 1000 1011 1001 0110",
    "H": "101 101 111 101 101", "I": "1 1 1 1 1", "J": "001 001 001 101 010", "K": "1001 1010 1100 1010 1001",
    "L": "100 100 100 100 111", "M": "10001 11011 10101 10001 10001", "N": "1001 1101 1011 1001 1001",
    "O": "010 101 101 101 010", "P": "110 101 110 100 100", "Q": "0110 1001 1001 1010 0101", "R": "110 101 110 101 101",
    "S": "011 100 010 001 110", "T": "111 010 010 010 010", "U": "101 101 101 101 111", "V": "101 101 101 101 010",
    "W": "10001 10001 10101 11011 10001", "X": "101 101 010 101 101", "Y": "101 101 010 010 010",
    "Z": "111 001 010 100 111",
    "0": "111 101 101 101 111", "1": "01 11 01 01 01", "2": "110 001 010 100 111", "3": "110 001 010 001 110",
    "4": "101 101 111 001 001", "5": "111 100 110 001 110", "6": "011 100 111 101 111", "7": "111 001 010 010 010",
    "8": "111 101 111 101 111", "9": "111 101 111 001 110",
    ".": "0 0 0 0 1", ",": "00 00 00 01 10", ":": "0 1 0 1 0", ";": "00 01 00 01 10", "-": "00 00 11 00 00",
    "+": "000 010 111 010 000", "±": "010 111 010 000 111", "%": "101 001 010 100 101", "/": "001 001 010 100 100",
    "'": "1 1 0 0 0", '"': "101 101 000 000 000", "(": "01 10 10 10 01", ")": "10 01 01 01 10", "!": "1 1 1 0 1",
    "?": "110 001 010 000 010", "=": "000 111 000 111 000", " ": "00 00 00 00 00", "_": "000 000 000 000 111",
}  # fmt: skip


def letter_rows(text: str) -> list[str] | None:
    """One line in block letters, three rows high; None when a letter is not known."""
    pixels: Pixels = [[] for _ in range(6)]
    for place, sign in enumerate(text.upper()):
        shape = _LETTERS.get(sign)
        if shape is None:
            return None
        for y, bits in enumerate([*shape.split(), "0" * len(shape.split()[0])]):
            pixels[y].extend(([False] if place else []) + [bit == "1" for bit in bits])
    return half_rows(pixels)


def letter_lines(text: str, columns: int, rows: int) -> list[str] | None:
    """A sentence in block letters, broken between words; None when it does not fit."""
    lines: list[str] = []
    current = ""
    for word in text.split():
        longer = f"{current} {word}".strip()
        painted = letter_rows(longer)
        if painted is None:
            return None
        if len(painted[0]) <= columns:
            current = longer
            continue
        if not current:
            return None
        lines.append(current)
        current = word
    lines.append(current)
    painted_lines = [letter_rows(line) or [] for line in lines]
    if len(painted_lines) * 3 > rows or any(row and len(row[0]) > columns for row in painted_lines):
        return None
    return [row for line in painted_lines for row in line]
