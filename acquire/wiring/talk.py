"""Plain lines to and from a terminal. Enter always takes what is proposed."""

from collections.abc import Callable
from typing import Protocol, TypeVar

T = TypeVar("T")


class Talk(Protocol):
    """Somebody to be told and asked."""

    def say(self, text: str) -> None:
        """One or more lines."""
        ...

    def ask(self, question: str, proposed: str = "") -> str:
        """An answer; ``proposed`` when it is empty. Raises the terminal's own end of file or interrupt."""
        ...


def ask_until(talk: Talk, question: str, proposed: str, read: Callable[[str], T]) -> T:
    """Ask until ``read`` takes the answer; what it refuses (``ValueError``) is said."""
    while True:
        try:
            return read(talk.ask(question, proposed).strip())
        except ValueError as error:
            talk.say(f"  {error}")


def agreed(talk: Talk, question: str, *, proposed: bool = True) -> bool:
    """Yes or no."""

    def read(answer: str) -> bool:
        first = answer.lower()[:1]
        if first not in ("y", "n"):
            raise ValueError("Answer y or n.")
        return first == "y"

    return ask_until(talk, f"{question} (y/n)", "y" if proposed else "n", read)
