"""The base of every screen: keys come from the one table, and go to the method of their action's name."""

from typing import TYPE_CHECKING, TypeVar

from textual import events
from textual.screen import Screen

from acquire.ui.keys import Moment, Place, action_for
from acquire.ui.saying import Saying
from acquire.ui.widgets.canvas import clip
from acquire.ui.widgets.guide import STYLES
from acquire.ui.widgets.lines import TextLine

if TYPE_CHECKING:
    from acquire.ui.app import Dashboard

R = TypeVar("R")


class PlaceScreen(Screen[R]):
    """A screen at a place of the key table; action ``x`` is done by ``do_x``."""

    place: Place = "page"

    @property
    def dash(self) -> "Dashboard":
        """The application, by its own type."""
        from acquire.ui.app import Dashboard

        app = self.app
        assert isinstance(app, Dashboard)
        return app

    @property
    def moment(self) -> Moment | None:
        """The moment that narrows the keys, None where it does not matter."""
        return None

    def on_mount(self) -> None:
        """In a browser keys are tapped, and so are drawn larger."""
        self.set_class(self.app.is_web, "-touch")
        if self.place != "bench":
            self.tell(self.dash.bench_screen.told_elsewhere())

    def tell(self, saying: Saying | None) -> None:
        """Say over this screen, in one row, what the screen at the bench would say; None: nothing."""
        line = next(iter(self.query("#told").results(TextLine)), None)
        if saying is None:
            if line is not None:
                line.remove()
            return
        if line is None:
            line = TextLine(id="told")
            self.mount(line)
        width = self.app.size.width
        text = f" {saying.glyph} {saying.sentence}"
        line.show(clip([(text.ljust(width), STYLES[saying.tone])], width))

    def on_key(self, event: events.Key) -> None:
        """Do what the table says for this key here."""
        if self.intercept(event) or self.perform(event.key):
            event.stop()
            event.prevent_default()

    def intercept(self, event: events.Key) -> bool:  # noqa: ARG002 - for screens to override
        """Whether the screen has a use of its own for this key, before the table."""
        return False

    def perform(self, pressed: str) -> bool:
        """Do the action of a key; whether there is one here now."""
        action = action_for(pressed, self.place, self.moment)
        if action is None:
            return False
        getattr(self, f"do_{action}")()
        return True

    def do_help(self) -> None:
        """Open the help of this place."""
        from acquire.ui.screens.pages import HelpScreen

        self.app.push_screen(HelpScreen(self.place, self.moment))

    def do_daylight(self) -> None:
        """The other set of colours."""
        self.dash.switch_theme()

    def do_quit(self) -> None:
        """Close the dashboard."""
        self.app.exit(0)

    def do_close(self) -> None:
        """Leave this screen with no answer."""
        self.dismiss(None)
