"""Which pulls of a head were made without taking it off in between: a repeatability study's mounts."""

from collections.abc import Callable, Sequence

from acquire.records import PullRow
from acquire.ui.keys import Place
from acquire.ui.screens.listing import ListScreen
from acquire.ui.words import local_time

# two on one mount and one on another
LEAST = 3


class MountsScreen(ListScreen[None]):
    """Pulls in order of time; each is left out, on the mount of the one before, or the first of a new mount.

    ``study`` is given one word a mount, such as ``12,13``.
    """

    place: Place = "mounts"

    def __init__(self, rows: Sequence[PullRow], study: Callable[[list[str]], None]) -> None:
        super().__init__("Before which pulls was the head taken off and mounted again?")
        self._study = study
        self.rows = list(rows)
        self.begins = [True] * len(self.rows)
        self.counts = [True] * len(self.rows)

    def mounts(self) -> list[str]:
        """One word a mount."""
        on = self._numbers()
        words = [[str(row.id) for row, mount in zip(self.rows, on, strict=True) if mount == number] for number in on]
        return list(dict.fromkeys(",".join(word) for word, number in zip(words, on, strict=True) if number))

    def _numbers(self) -> list[int]:
        """The number of each pull's mount, 0 for one that is left out; its mount goes on with the next pull."""
        numbers, mount, new = [], 0, True
        for begins, counts in zip(self.begins, self.counts, strict=True):
            new = new or begins
            mount += new and counts
            numbers.append(mount if counts else 0)
            new = new and not counts
        return numbers

    def lines(self) -> list[str]:
        """Each pull with the mount that it is on."""
        return [
            f"{f'mount {number}' if number else 'left out':<10} pull {row.id:<6} {local_time(row.started_utc)}   "
            f"{row.taken} points"
            for row, number in zip(self.rows, self._numbers(), strict=True)
        ]

    def beneath(self) -> list[str]:
        """Whether these mounts make a study."""
        return ["", self._wanting() or f"{len(self.mounts())} mounts, {sum(self.counts)} pulls"]

    def _wanting(self) -> str:
        words = self.mounts()
        if sum(self.counts) < LEAST:
            return f"! {LEAST} pulls or more are needed: Del takes one in again"
        if len(words) < 2:
            return "! Two mounts or more are needed: Space begins one"
        if not any("," in word for word in words):
            return "! Two pulls must share a mount: Space joins one to those before"
        return ""

    def action_line(self, index: int) -> None:
        """A line was tapped: mark it, and where it is marked already a new mount begins there, or not."""
        if index == self.marked:
            self.do_new_mount()
        else:
            self.mark(index)

    def do_new_mount(self) -> None:
        """A new mount begins with the marked pull, or it does not."""
        self.begins[self.marked] = not self.begins[self.marked]
        self.renew()

    def do_leave_out(self) -> None:
        """Leave the marked pull out, or take it in again."""
        self.counts[self.marked] = not self.counts[self.marked]
        self.renew()

    def do_study(self) -> None:
        """Study these mounts, if they make a study; they stay until it is done, since it may be refused."""
        if not self._wanting():
            self._study(self.mounts())
