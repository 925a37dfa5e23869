"""The form before a pull: everything about head, pull and set-up, filled in from before."""

from textual import events
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widget import Widget
from textual.widgets import Input, Static

from acquire.records import BenchSummary, PullRequest, Subject, Template
from acquire.ui import asked, typed
from acquire.ui.keys import BIG, Place
from acquire.ui.screens.asking import NameScreen, PickScreen
from acquire.ui.screens.held import HeldKeys
from acquire.ui.widgets.fields import BeginBar, ChoiceField, Row, TextField
from acquire.ui.widgets.lines import KeyBar
from acquire.ui.words import exact
from acquire.values import Direction, PullKind

# some scanners end a code twice; nobody presses a key again as soon
ECHO_S = 0.03


class FormScreen(HeldKeys[None]):
    """Fields from :mod:`acquire.ui.asked`; the form stays open until the daemon has accepted the pull."""

    place: Place = "form"
    AUTO_FOCUS = None

    def __init__(
        self,
        bench: BenchSummary,
        last: PullRequest | None,
        identifier: str = "",
        same_head: bool = False,
        other_way: bool = False,
        from_template: bool = False,
    ) -> None:
        super().__init__()
        self._bench = bench
        self.values = (
            asked.blank(bench)
            if last is None
            else asked.from_request(last, bench, same_head=same_head and not identifier)
        )
        if identifier:
            self.values["identifier"] = identifier
        if other_way:
            self.values["direction"] = "exhaust" if self.values["direction"] == "intake" else "intake"
        self.prefilled = last is not None
        self._at_end = bool(identifier or same_head) and last is not None
        self._from_template = from_template
        self._looked_up = ""
        self._entered_s = -1e9

    def preset(self, kind: PullKind | None, direction: Direction | None) -> None:
        """What is run, and which way, where it was asked for; before the form is shown."""
        if kind is not None:
            if kind != "lift":
                self.values |= dict.fromkeys(asked.HEADS_OWN, "")
            self.values = asked.for_kind(kind, self.values, self._bench)
        if direction is not None:
            self.values["direction"] = direction

    def compose(self) -> ComposeResult:
        yield Static("New pull", id="form-title")
        with VerticalScroll(id="form-scroll", can_focus=False):
            for title, fields in asked.SECTIONS:
                yield Static(title, classes="section", id=f"section-{title.split()[-1]}")
                for its in fields:
                    yield Row(its.name, its.label, self._field(its))
        yield BeginBar(id="begin")
        yield KeyBar("form")

    def _field(self, its: asked.Field) -> Widget:
        name = f"field-{its.name}"
        if its.kind in ("choice", "yesno"):
            return ChoiceField(asked.options(its.name, self._bench), self.values[its.name], id=name)
        unit = asked.usual_unit(its, self._bench) if its.kind != "text" else ""
        return TextField(self.values[its.name], its.hint or unit, self._take, id=name)

    def on_mount(self) -> None:
        """Stand where typing is needed; on Begin when nothing is missing."""
        for row in self.query(Row):
            row.say("")
        self._apply()
        wanting = self._wanting()
        plate = asked.KINDS[self.values["kind"]] != "lift" and self.values["identifier"]
        self._focus((wanting or "begin") if self._at_end or (plate and wanting) else "field-identifier")
        if self.values["identifier"]:
            self._look_up()
        if self._from_template:
            self.do_form_templates()

    # ------------------------------------------------------------ values

    def _put(self, values: dict[str, str]) -> None:
        changed = [name for name, text in values.items() if text != self.values.get(name)]
        self.values = values
        for name in changed:
            self.query_one(f"#row-{name}", Row).say("")
        for name, text in values.items():
            widget = self.query_one(f"#field-{name}")
            if isinstance(widget, ChoiceField):
                widget.choose(text)
            elif isinstance(widget, TextField):
                with widget.prevent(Input.Changed):
                    widget.value = text
        self._apply()

    def _apply(self) -> None:
        for name in asked.FIELDS:
            self.query_one(f"#row-{name}").display = asked.applies(name, self.values)
        kind = asked.KINDS[self.values["kind"]]
        what = "head" if kind == "lift" else "plate"
        self.query_one("#section-head", Static).update(f"The {what}")
        self.query_one("#row-identifier", Row).rename(f"{what.capitalize()} identifier")
        self.query_one("#row-subject_remarks", Row).rename(f"Remarks on the {what}")
        head = self.values["identifier"].strip() or f"no {what} yet"
        run, of = ("leakage run", "") if kind == "leakage" else ("pull", f", {self.values['kind']}")
        self.query_one("#begin", BeginBar).show(run, f"{head}{of}, {self.values['direction']}{self._range_said()}")

    def _range_said(self) -> str:
        """The meter range, where it could be another: a wrong one gives a wrong flow."""
        chosen = self.values["meter_range"]
        if len(self._bench.meter_ranges) < 2:
            return ""
        return f", range {chosen}" if chosen else ", no meter range yet"

    def on_input_changed(self, event: Input.Changed) -> None:
        """Keep what was typed; a lift typed by hand is no schedule of the bench any more."""
        name = (event.input.id or "").removeprefix("field-")
        self.values[name] = event.value
        if event.input.has_focus:
            self.query_one(f"#row-{name}", Row).say("")
        if name == "lifts_m" and event.value != asked.schedule_lifts(self.values["schedule"], self._bench):
            self.values["schedule"] = asked.TYPED
            self.query_one("#field-schedule", ChoiceField).choose(asked.TYPED)
        self._apply()

    def on_text_field_help_asked(self) -> None:
        """Help from an empty field."""
        self.do_help()

    def on_choice_field_changed(self, event: ChoiceField.Changed) -> None:
        """Keep the choice; a schedule brings its lifts, and its test pressure if it has one."""
        name = (event.field.id or "").removeprefix("field-")
        before, self.values[name] = self.values[name], event.field.value
        self.query_one(f"#row-{name}", Row).say("")
        if name == "schedule" and event.field.value in self._bench.schedules:
            values = self.values | {"lifts_m": asked.schedule_lifts(event.field.value, self._bench)}
            pressure = self._bench.schedules[event.field.value].test_pressure_pa
            if pressure is not None:
                values["test_pressure_pa"] = exact(pressure, self._bench.display.pressure, self._bench)
            self._put(values)
        if name == "kind":
            was = self.values | {"kind": before}
            self._put(asked.for_kind(asked.KINDS[event.field.value], was, self._bench))
        self._apply()

    def _wanting(self) -> str:
        """The first field to put right, by its id; empty where all is said."""
        faults = typed.read_form(self.values, self._bench)[1]
        return next((f"field-{name}" for name in asked.FIELDS if name in faults), "")

    # ------------------------------------------------------------ moving about

    def _focus(self, widget_id: str) -> None:
        # at once, so that the next key of a burst finds it there
        self.set_focus(self.query_one(f"#{widget_id}"))

    def _catch_up(self) -> None:
        """Read what is typed now: a scanner's Enter comes before the news of its last letters."""
        for field in self.query(TextField):
            self.values[(field.id or "").removeprefix("field-")] = field.value

    def _leave(self) -> str:
        """Say what is wrong with the field that is left; its name."""
        self._catch_up()
        name = (self.focused.id or "").removeprefix("field-") if self.focused is not None else ""
        if name in asked.FIELDS:
            try:
                typed.read_field(name, self.values[name], self._bench)
            except ValueError as error:
                self.query_one(f"#row-{name}", Row).say(str(error))
            if name == "identifier":
                self._look_up()
        return name

    def do_go_on(self) -> None:
        """Enter: the next field; from the identifier of a form that came filled in to what is wanting, or Begin."""
        if self._leave() == "identifier" and self.prefilled and self.values["identifier"].strip():
            self._focus(self._wanting() or "begin")
        else:
            self.focus_next()

    def do_next_field(self) -> None:
        """The field below."""
        self._leave()
        self.focus_next()

    def do_previous_field(self) -> None:
        """The field above."""
        self._leave()
        self.focus_previous()

    def _take(self, event: events.Key) -> bool:
        """A key in a line of text that is no character."""
        if event.key == "enter":
            self._entered_s = event.time
        return self.perform(event.key)

    def intercept(self, event: events.Key) -> bool:
        """In a line of text a code is typed; elsewhere it must not be taken for the keys that act there."""
        if isinstance(self.focused, TextField):
            return False
        if isinstance(self.focused, BeginBar) and event.key == "enter" and event.time - self._entered_s < ECHO_S:
            # the second end of a scanned code begins nothing
            return True
        return super().intercept(event)

    def perform(self, pressed: str) -> bool:
        """Left and right belong to the field that has the focus, as does what presses the bar at the end."""
        if isinstance(self.focused, BeginBar) and pressed in BIG:
            self.do_begin()
            return True
        if isinstance(self.focused, ChoiceField) and pressed == "space":
            self.focused.turn(1)
            return True
        return pressed not in ("left", "right", "space") and super().perform(pressed)

    def scanned(self, text: str) -> None:
        """A code scanned where nothing is typed is that of another head: what the one before alone has goes."""
        if text != self.values["identifier"]:
            alone = dict.fromkeys(("port", "subject_remarks", "subject_details"), "")
            self._put(self.values | alone | {"identifier": text[:80]})
            self._look_up()
        self._focus(self._wanting() or "begin")

    # ------------------------------------------------------------ begin, templates

    def on_begin_bar_pressed(self) -> None:
        """The big key on the last bar."""
        self.do_begin()

    def do_begin(self) -> None:
        """Begin, or stand at the first bad field."""
        request = self._request()
        if request is not None:
            self.dash.begin(request, self)

    def _request(self) -> PullRequest | None:
        self._catch_up()
        request, faults = typed.read_form(self.values, self._bench)
        for name in asked.FIELDS:
            self.query_one(f"#row-{name}", Row).say(faults.get(name, ""))
        first = next((name for name in asked.FIELDS if name in faults), None)
        if first is not None:
            self._focus(f"field-{first}")
        self._headline("" if first is None else f"{len(faults)} field{'s' if len(faults) > 1 else ''} to put right")
        return request

    def refuse(self, sentence: str) -> None:
        """The daemon did not begin the pull: say why, keep everything."""
        if self.is_mounted:
            self._headline(sentence)

    def _headline(self, sentence: str, *, bad: bool = True) -> None:
        title = self.query_one("#form-title", Static)
        mark = "! " if bad else "● "
        title.update(Content(f"{mark}{sentence}" if sentence else "New pull"))
        title.set_class(bool(sentence) and bad, "-bad")

    def do_form_templates(self) -> None:
        """Pick a template."""
        self.dash.with_answer(self.dash.bench.templates, self._offer)

    def _offer(self, templates: list[Template]) -> None:
        def picked(index: int | None) -> None:
            if index is not None:
                self.prefilled = True
                self._put(asked.from_template(templates[index], self.values, self._bench))
                self._headline("")
                self._focus(self._wanting() or "begin")

        if not self.is_current:
            return
        if not templates:
            self._headline("No template is kept yet: fill the form and press F4 to keep one")
            return
        lines = [
            f"{its.name:<24} {its.direction}, {len(its.lifts_m)} lifts, "
            f"{exact(its.setup.test_pressure_pa, self._bench.display.pressure, self._bench)}"
            for its in templates
        ]
        self.app.push_screen(PickScreen("Which template?", lines), picked)

    def do_save_template(self) -> None:
        """Keep set-up and schedule under a name; the head need not be known yet."""
        self._catch_up()
        stand_in = self.values["identifier"].strip() or "template"
        request, faults = typed.read_form(self.values | {"identifier": stand_in}, self._bench)
        if request is None:
            for name, sentence in faults.items():
                self.query_one(f"#row-{name}", Row).say(sentence)
            self._headline("Put these fields right before they are kept as a template")
            return
        kept = request

        def named(name: str | None) -> None:
            if name:
                self.dash.keep_template(
                    asked.template_of(name, kept), lambda: self._headline(f"Kept as template {name!r}")
                )

        self.app.push_screen(NameScreen("Keep this set-up as a template named"), named)

    def _look_up(self) -> None:
        """A head tested before brings its model and valves."""
        identifier = self.values["identifier"].strip()
        if identifier and identifier != self._looked_up:
            self._looked_up = identifier
            self.dash.with_answer(self.dash.bench.subjects, self._known)

    def _known(self, subjects: list[Subject]) -> None:
        its = next((s for s in subjects if s.identifier == self.values["identifier"].strip()), None)
        if its is not None and self.is_mounted:
            self._put(asked.from_subject(its, self.values, self._bench))
