"""Pages to read: the help, made from the key table, and the instruments."""

import textwrap

from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Static

from acquire.records import BenchSummary, Frame
from acquire.ui.keys import ANY, Key, Moment, Place, keys_at
from acquire.ui.screens.held import HeldKeys
from acquire.ui.screens.listing import shortened
from acquire.ui.widgets.lines import KeyBar
from acquire.ui.words import age, quantity

CAUTIONS = (
    "Wear hearing and eye protection. Keep hands, hair and rags clear of suction and blower. "
    "Mains: covers on, work on it only by those licensed. Your local codes come first."
)
_WHEN: dict[Moment, str] = {
    "pull": "during a pull",
    "idle": "before a pull",
    "verdict": "after a pull",
    "replay": "in a replay",
}
_PLACES: dict[Place, str] = {
    "bench": "At the bench",
    "form": "In the form of a new pull",
    "list": "In a list",
    "mounts": "Where mounts are told apart",
    "question": "At a question",
    "name": "At a name to type",
    "page": "On a page like this",
}
SIGNS = (
    "○ live   ◐ settling   ● settled or in its band   ◇ off, or taken before it had settled\n"
    "▒ stale: an old number, never taken   × lost: no number   ▲ more   ▼ less   ■ hold still   ! trouble\n"
    "○ ring in the curve: an earlier take   ? out of line   ↻ to be taken again"
)


class PageScreen(HeldKeys[None]):
    """Text that scrolls by keys."""

    place: Place = "page"

    def __init__(self, title: str) -> None:
        super().__init__()
        self.heading = title

    def body(self) -> Content:
        """What the page says."""
        raise NotImplementedError

    def compose(self) -> ComposeResult:
        yield Static(self.heading, id="page-title")
        with VerticalScroll(id="page-scroll", can_focus=False):
            yield Static(self.body(), id="page-body")
        yield KeyBar("page")

    def scanned(self, text: str) -> None:
        """A code is no key of the page; what the title says of an end stays."""
        self.dash.say(f"Scanned {shortened(text)} while a page was open: nothing done with it", bad=True)

    def do_page_up(self) -> None:
        """Scroll up by half of what is seen."""
        self._scroll(-1)

    def do_page_down(self) -> None:
        """Scroll down by half of what is seen."""
        self._scroll(1)

    def _scroll(self, way: int) -> None:
        scroll = self.query_one("#page-scroll", VerticalScroll)
        scroll.scroll_relative(y=way * max(1, scroll.size.height // 2), animate=False)


class HelpScreen(PageScreen):
    """Every action of a place first, then those of the others."""

    def __init__(self, about: Place, now: Moment | None = None) -> None:
        super().__init__("Keys and signs")
        self.about = about
        self.now = now

    def body(self) -> Content:
        """The key table as text, from the place where help was asked."""
        width = max(30, self.app.size.width - 4)
        order = [self.about, *(place for place in _PLACES if place != self.about)]
        parts: list[Content] = []
        for place in order:
            for heading, keys in _groups(place, self.now):
                parts.append(Content.styled(heading, "bold $act"))
                parts += [_help_line(key, width) for key in keys]
                parts.append(Content(""))
        parts += [Content.styled("Signs", "bold $act"), Content(SIGNS), Content("")]
        parts += [Content.styled("Cautions", "bold $act"), Content(CAUTIONS)]
        return Content("\n").join(parts)


def _groups(place: Place, now: Moment | None) -> list[tuple[str, list[Key]]]:
    """The keys of a place, those at the bench by their moment, the present one first."""
    keys = keys_at(place)
    if place != "bench":
        return [(_PLACES[place], keys)]
    groups = [
        (f"At the bench, {words}", [key for key in keys if moment in key.moments and key.moments != ANY])
        for moment, words in sorted(_WHEN.items(), key=lambda its: its[0] != now)
    ]
    return [*groups, ("At the bench, always", [key for key in keys if key.moments == ANY])]


def _help_line(key: Key, width: int) -> Content:
    first, *rest = textwrap.wrap(key.help, width - 13)
    return Content.assemble((f"  {key.shown:<11}", "bold"), "\n".join([first, *(" " * 13 + row for row in rest)]))


class InstrumentsScreen(PageScreen):
    """Every instrument and every reading, with its source, age and state, as of now.

    Of a recording the readings alone: how the instruments did besides was told as it happened, and is not kept.
    """

    def __init__(self, bench: BenchSummary, recording: str = "") -> None:
        super().__init__(f"Readings as recorded: {recording}" if recording else "Instruments and readings")
        self._bench, self._recorded = bench, bool(recording)

    def on_mount(self) -> None:
        """Keep up to date, twice a second."""
        self.set_interval(0.5, self.renew)

    def renew(self) -> None:
        """Show what the latest frame says."""
        self.query_one("#page-body", Static).update(self.body())

    def body(self) -> Content:
        """Instruments first, then readings."""
        frame = self.dash.seen.frame
        if frame is None:
            return Content("Nothing heard from the daemon yet.")
        lines = [] if self._recorded else [*_instruments(frame), Content("")]
        lines += _readings(frame, self._bench)
        if self.dash.seen.lost(self.dash.now_s())[0]:
            # what was live when it was heard last must not look so now
            old = [Content(line.plain).stylize("$faint") for line in lines]
            lines = [Content("Nothing here is known to be so now. It was last:"), Content(""), *old]
        return Content("\n").join(lines)


def _instruments(frame: Frame) -> list[Content]:
    glyphs = {"opening": "◐", "live": "●", "silent": "▒", "lost": "×"}
    lines = []
    for its in frame.instruments:
        style = "$good" if its.state == "live" else "bold $bad"
        counts = f"{its.good_lines} lines, {its.discarded_lines} discarded, {its.reconnects} reconnects"
        lines.append(Content.assemble((f"{glyphs[its.state]} {its.name:<16} {its.state:<9}", style), counts))
        if its.sentence:
            lines.append(Content(f"    {its.sentence}"))
    return lines


def _readings(frame: Frame, bench: BenchSummary) -> list[Content]:
    units = {"Pa": bench.display.pressure, "m": bench.display.lift, "K": bench.display.temperature, "1": "%RH"}
    lines = []
    for channel, reading in frame.readings.items():
        unit = bench.display.barometer if channel == "room_pressure" else units.get(reading.unit, reading.unit)
        value = "no value" if reading.value is None else quantity(reading.value, unit, bench)
        style = "" if reading.state == "live" else "bold $bad"
        words = f"{channel.replace('_', ' '):<18}{value:<15} {reading.state:<7}{age(reading.age_s):<10}"
        lines.append(Content.assemble((words, style), (reading.source, "$faint")))
    return lines
