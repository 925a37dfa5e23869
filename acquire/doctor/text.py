"""The check as text of 80 columns, and as plain values. Pure."""

import textwrap
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from acquire.doctor.verdict import Line

_COLUMNS = 80


def check_text(lines: Sequence[Line]) -> str:
    """A line a check, broken where it is long; under it what to do."""
    width = max((len(line.name) for line in lines), default=0)
    rows = []
    for line in lines:
        head = f"{line.verdict:<6} {line.name:<{width}}  "
        rows += _broken(line.said, head)
        if line.cure:
            rows += _broken(line.cure, f"{'':<6} {'':<{width}}  -> ")
    return "\n".join([*rows, "", _summary(lines)])


def _broken(text: str, head: str) -> list[str]:
    return textwrap.wrap(
        text,
        _COLUMNS,
        initial_indent=head,
        subsequent_indent=" " * len(head),
        break_long_words=False,
        break_on_hyphens=False,
    )


def _summary(lines: Sequence[Line]) -> str:
    wrong = sum(line.verdict == "wrong" for line in lines)
    if not wrong:
        return "Nothing is wrong."
    return f"{wrong} {'thing is' if wrong == 1 else 'things are'} wrong."


def check_json(lines: Sequence[Line]) -> dict[str, Any]:
    """``ok`` and the lines."""
    return {"ok": all(line.verdict != "wrong" for line in lines), "checks": [asdict(line) for line in lines]}
