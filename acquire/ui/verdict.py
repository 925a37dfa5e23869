"""How a pull ended: complete or not, every mark, what came of it, and what may follow. Pure."""

import textwrap

from acquire.records import BenchSummary, Frame
from acquire.ui.show import flow_text
from acquire.ui.widgets.canvas import Line, Span, tapped
from acquire.ui.words import figure, quantity
from acquire.values import Point, PullView


def verdict_lines(frame: Frame, bench: BenchSummary, width: int, most: int) -> list[Line]:
    """At most ``most`` rows; where the marks do not fit, the last row says how many more there are."""
    pull = frame.pull
    if pull is None:
        return []
    first, last = _counted(pull), _came_of_it(pull, bench)
    if not pull.marks:
        clean = "nothing doubtful in it" if pull.outcome == "complete" else "nothing doubtful in what was taken"
        return [first, [(f"● {clean}", "$good")], *last]
    marks = [textwrap.wrap(f"! {mark.sentence}", width, subsequent_indent="  ") for mark in pull.marks]
    room = max(1, most - 1 - len(last))
    while len(marks) > 1 and sum(map(len, marks)) > room - (len(marks) < len(pull.marks)):
        marks.pop()
    rows = [row for mark in marks for row in mark]
    hidden = len(pull.marks) - len(marks)
    if hidden:
        rows.append(f"! and {hidden} more: they stand on the sheet and in steadydraw show {frame.pull_id}")
    return [first, *([(row, "bold $act")] for row in rows), *last]


def _counted(pull: PullView) -> Line:
    taken = sum(bool(step.points) for step in pull.steps)
    skipped = sum(step.state == "skipped" for step in pull.steps)
    last = _in_force(pull)
    typed, by_hand = sum(point.read_by_eye for point in last), sum(point.unsettled for point in last)
    whole = pull.outcome == "complete" and taken == len(pull.steps)
    head = "● COMPLETE" if whole else "◇ COMPLETE WITH GAPS" if pull.outcome == "complete" else "× ABORTED"
    counts = f"   {taken} of {len(pull.steps)} steps taken"
    counts += f", {skipped} skipped" if skipped else ""
    counts += f", {typed} typed" if typed else ""
    each = "all" if whole else "those"
    counts += f", {by_hand} not settled" if by_hand else f", {each} settled" if taken and not typed else ""
    return [(head, "bold $good" if whole else "bold $act"), (counts, "")]


def _came_of_it(pull: PullView, bench: BenchSummary) -> list[Line]:
    points = sorted(_in_force(pull), key=_flow_of)
    if not points:
        return []
    best, unit = points[-1], bench.display.flow
    if pull.kind == "lift":
        where = "" if best.step_lift_m is None else f" at {quantity(best.step_lift_m, bench.display.lift, bench)}"
        return [[(f"Most flow {flow_text(best, bench)} {unit}{where}", "")]]
    if len(points) == 1:
        flow = f"{flow_text(best, bench)} {unit}"
    else:
        least, most = (figure(_flow_of(point), unit, bench) for point in (points[0], best))
        flow = f"{most} {unit}" if least == most else f"{least} to {most} {unit}"
    if pull.kind == "plate":
        return [[(f"Flow {flow}. Take the reference plate off before the next head.", "")]]
    if pull.outcome != "complete":
        return [[(f"Leakage {flow}.", "")], [("Take the blank plate off before the next head.", "")]]
    return [
        [(f"Leakage {flow}, for {pull.direction} on this bore fixture and gasket.", "")],
        [("It counts from the next pull on. Take the blank plate off before that.", "")],
    ]


def _in_force(pull: PullView) -> list[Point]:
    return [max(step.points, key=lambda point: point.take) for step in pull.steps if step.points]


def _flow_of(point: Point) -> float:
    return point.flow.flow_m3_s


def next_words(pull: PullView) -> dict[str, str]:
    """What may follow this pull, by the action that leads there."""
    other = "exhaust" if pull.direction == "intake" else "intake"
    if pull.kind == "lift":
        same = {"same_again": "this head again", "other_way": f"this head, {other}"}
        return {"next_head": "next head", **same, "sheet": "flow sheet"}
    return {"next_head": "next head", "same_again": "this run again", "other_way": f"this run, {other}"}


def next_line(pull: PullView) -> Line:
    """The same as a row, each with its key."""
    keys = {"next_head": ("Enter", "enter"), "same_again": ("a", "a"), "other_way": ("o", "o"), "sheet": ("f", "f")}
    line: list[Span] = []
    for action, words in next_words(pull).items():
        shown, pressed = keys[action]
        line += tapped([(shown, "bold $act"), (f" {words}   ", "")], f"app.tap('{pressed}')")
    return line
