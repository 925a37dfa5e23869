"""Lines of text to their shape, and a shape to the pattern that reads it. Pure.

The shape of a line is what stays when its numbers are taken out:
``P1 28.013 P2 6.221`` and ``P1 -0.001 P2 0.002`` are of one shape.
"""

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from acquire.wiring.guess import unit_of

Decimal = Literal[".", ","]

_TOKEN = r"""
  (?P<check>\*[0-9A-Fa-f]{{2}}$)
 |(?P<stamp>\d{{4}}-\d\d-\d\d(?:T(?=\d\d:))?|\d{{1,2}}:\d\d(?::\d\d(?:\.\d+)?)?(?![\d.,]))
 |(?P<number>(?:[-+]\ *)?(?:\d+(?:{d}\d*)?|{d}\d+)(?:[eE][-+]?\d+)?)
 |(?P<blank>\ +)
 |(?P<word>(?:[^\W\d]|[°%"])+{digits})
 |(?P<mark>.)
"""
_DIGITS_IN_WORDS = r"(?:\d+(?!{d}?\d)[^\W\d]*)*"


class Token(NamedTuple):
    """A piece of a line, and how many blanks stand before it."""

    kind: str
    text: str
    blanks: int


@dataclass(frozen=True, slots=True)
class Field:
    """One number of a line: a name for it, the unit beside it if there is one, and what was seen of it.

    ``decimals``: digits after the decimal sign; ``texts`` are as they were sent.
    """

    name: str
    unit: str
    decimals: int
    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Shape:
    """Lines of one shape. ``pieces`` is the pattern, with an index into ``fields`` where a number stands."""

    pieces: tuple[str | tuple[int, str], ...]
    fields: tuple[Field, ...]
    decimal: Decimal
    lines: tuple[str, ...]

    def pattern(self, names: dict[int, str]) -> str:
        """The regular expression of a whole line; numbers that ``names`` leaves out are matched and not kept."""
        return "".join(
            piece if isinstance(piece, str) else f"(?P<{names[piece[0]]}>{piece[1]})" if piece[0] in names else piece[1]
            for piece in self.pieces
        )


def tokens(line: str, decimal: Decimal, *, glued: bool = False) -> list[Token]:
    """A line's pieces. ``glued``: digits after a letter are a number (``T25``) and not part of a word (``P1``)."""
    d = re.escape(decimal)
    pattern = _TOKEN.format(d=d, digits="" if glued else _DIGITS_IN_WORDS.format(d=d))
    found: list[Token] = []
    blanks = 0
    for match in re.finditer(pattern, line, re.VERBOSE | re.ASCII):
        if match.lastgroup == "blank":
            blanks = len(match[0])
            continue
        found.append(Token(match.lastgroup or "mark", match[0], blanks))
        blanks = 0
    return _labels(found)


def _labels(found: list[Token]) -> list[Token]:
    """A whole number that touches a word which is no unit is a label, such as the 01 of ``01A+00000.2995``."""
    out = list(found)
    for i, (token, after) in enumerate(itertools.pairwise(found)):
        touches = after.kind == "word" and after.blanks == 0 and not unit_of(after.text)
        if token.kind == "number" and token.text.isdigit() and touches:
            out[i] = token._replace(kind="word")
    return out


def key(line: Sequence[Token]) -> tuple[str, ...]:
    """What lines of one shape have in common."""
    return tuple(t.text if t.kind in ("word", "mark") else f"\0{t.kind}" for t in line)


def shape_of(lines: Sequence[str], parts: Sequence[Sequence[Token]], decimal: Decimal) -> Shape:
    """The shape of lines whose :func:`key` is the same; ``parts`` are their tokens."""
    columns = list(zip(*parts, strict=True))
    pieces: list[str | tuple[int, str]] = []
    fields: list[Field] = []
    before = ""
    for i, column in enumerate(columns):
        kind = column[0].kind
        texts = tuple(token.text for token in column)
        if i:
            pieces.append(_gap(before, column))
        before = kind
        if kind == "number":
            pieces.append((len(fields), _number(texts, decimal)))
            fields.append(Field(_name(columns, i, len(fields)), _unit(columns, i), _decimals(texts, decimal), texts))
        elif kind == "stamp":
            pieces.append(r"[\d:.T-]+")
        elif kind == "check":
            pieces.append(r"\*[0-9A-Fa-f]{2}")
        else:
            pieces.append("".join(_plain(c) for c in column[0].text))
    return Shape(tuple(pieces), _unlike(fields), decimal, tuple(lines))


def _plain(char: str) -> str:
    if char == "\t":
        return r"\t"
    return char if char.isalnum() or char in " _=:,;%/<>#@!'\"&~°-" else re.escape(char)


def _gap(before: str, column: Sequence[Token]) -> str:
    widths = {token.blanks for token in column}
    if widths == {0}:
        return ""
    number = column[0].kind == "number"
    if number and before == "number":
        return " *" if 0 in widths else " +"
    # a longer number or a minus will stand where there is a blank now
    if number or len(widths) > 1:
        return " *"
    (width,) = widths
    return " " if width == 1 else f" {{{width}}}"


def _number(texts: Sequence[str], decimal: Decimal) -> str:
    """As tight as what was seen allows: the sign, digits before and after the decimal sign, an exponent."""
    signs = [text[0] in "+-" for text in texts]
    sign = "-?" if not any(text[0] == "+" for text in texts) else "[-+]" if all(signs) else "[-+]?"
    if any(" " in text for text in texts):
        sign += " *"
    bare = [text.lstrip("+- ") for text in texts]
    mantissas, exponents = zip(*(_split(text) for text in bare), strict=True)
    whole, fractions = zip(*((m.partition(decimal)[0], m.partition(decimal)[2]) for m in mantissas), strict=True)
    widths = {len(text) for text in whole}
    padded = len(widths) == 1 and any(text[0] == "0" and len(text) > 1 for text in whole if text)
    digits = r"\d*" if "" in whole else r"\d+"
    if padded:
        width = widths.pop()
        # a minus that is not always there takes the place of a nought
        digits = _digits(width) if all(signs) else rf"\d{{{width - 1},{width}}}"
    tail = ""
    if any(fractions):
        after = {len(text) for text in fractions}
        d = re.escape(decimal)
        tail = rf"(?:{d}\d*)?" if 0 in after else d + _digits(after.pop()) if len(after) == 1 else rf"{d}\d+"
    elif any(decimal in text for text in mantissas):
        tail = rf"{re.escape(decimal)}\d*"
    power = "" if not any(exponents) else r"[eE][-+]?\d+" if all(exponents) else r"(?:[eE][-+]?\d+)?"
    return sign + digits + tail + power


def _digits(width: int) -> str:
    return r"\d" if width == 1 else rf"\d{{{width}}}"


def _split(text: str) -> tuple[str, str]:
    match = re.fullmatch(r"([^eE]*)(?:[eE](.*))?", text)
    return (match[1], match[2] or "") if match else (text, "")


def _decimals(texts: Sequence[str], decimal: Decimal) -> int:
    return max(len(_split(text.lstrip("+- "))[0].partition(decimal)[2]) for text in texts)


def _unit(columns: Sequence[Sequence[Token]], i: int) -> str:
    """The unit of the number at ``i``: the words and marks right after it, up to what cannot belong to one."""
    text, best = "", ""
    for column in columns[i + 1 : i + 4]:
        if column[0].kind not in ("word", "mark") or column[0].text in ",;=:":
            break
        text += column[0].text
        best = unit_of(text) or best
    return best


def _name(columns: Sequence[Sequence[Token]], i: int, index: int) -> str:
    """After the word before it, unless that is the unit of the number before."""
    for j in range(i - 1, -1, -1):
        column = columns[j][0]
        if column.kind == "number":
            break
        if column.kind == "word":
            if j > 0 and columns[j - 1][0].text.isdigit() and column.blanks == 0:
                break
            its_unit = j > 0 and columns[j - 1][0].kind == "number" and unit_of(column.text)
            named = i - j > 1 and columns[j + 1][0].text in ("=", ":")
            word = re.sub(r"\W", "", column.text, flags=re.ASCII).lower().strip("_")
            if word and (named or not its_unit):
                return word if word[0].isalpha() else f"n{index + 1}"
            break
    return f"n{index + 1}"


def _unlike(fields: Sequence[Field]) -> tuple[Field, ...]:
    names: list[str] = []
    for field in fields:
        name, n = field.name, 2
        while name in names:
            name, n = f"{field.name}_{n}", n + 1
        names.append(name)
    return tuple(Field(n, f.unit, f.decimals, f.texts) for n, f in zip(names, fields, strict=True))
