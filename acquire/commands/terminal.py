"""Questions and answers in the terminal that a command runs in."""

import click


class Terminal:
    """What is said and asked. With ``err`` it goes to stderr: stdout is then for what was found."""

    def __init__(self, err: bool = False) -> None:
        self._err = err

    def say(self, text: str) -> None:
        """Print a text with a line end."""
        click.echo(text, err=self._err)

    def ask(self, question: str, proposed: str = "") -> str:
        """The answer; an empty one takes what is proposed. Raises ``click.Abort`` on Ctrl+C."""
        return str(click.prompt(question, default=proposed, show_default=bool(proposed), err=self._err))
