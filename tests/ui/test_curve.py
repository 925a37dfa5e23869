"""The curve beside the schedule: what it shows of takes that are no longer in force."""

from acquire.ui.show import curve_view
from acquire.ui.widgets.curve import CurvePlot
from acquire.values import PullView, Step, StepView
from tests.ui.fake import IN, SUMMARY, TARGET_PA, point, pull_view


def drawn(pull: PullView) -> list[str]:
    plot = CurvePlot(id="curve")
    plot.view = curve_view(pull, SUMMARY)
    return ["".join(text for text, _ in row) for row in plot.paint(60, 30)]


def taken(lift_in: float, *flows: float) -> StepView:
    return StepView(
        Step(lift_in * IN, TARGET_PA), "taken", tuple(point(1, flow, take=i + 1) for i, flow in enumerate(flows))
    )


def test_an_earlier_take_stays_as_a_ring_above_or_below_the_point_in_force() -> None:
    rows = drawn(pull_view(2, steps=(taken(0.1, 62.0), taken(0.2, 150.0, 120.0))))
    ring = [(y, row.index("○")) for y, row in enumerate(rows) if "○" in row]
    points = [(y, row.index("●")) for y, row in enumerate(rows) if "●" in row]
    assert len(ring) == 1
    assert len(points) == 2
    # in the column of its step, higher up by its larger flow
    above, in_force = ring[0], points[0]
    assert above[1] == in_force[1]
    assert above[0] < in_force[0]


def test_a_take_that_agrees_with_the_one_in_force_hides_behind_it_and_the_largest_sets_the_scale() -> None:
    assert not any("○" in row for row in drawn(pull_view(2, steps=(taken(0.1, 62.0), taken(0.2, 120.1, 120.0)))))
    assert "500" in drawn(pull_view(2, steps=(taken(0.1, 62.0), taken(0.2, 450.0, 120.0))))[1]


def test_the_figure_above_the_curve_says_which_point_it_is() -> None:
    assert drawn(pull_view(2, steps=(taken(0.1, 62.0), taken(0.2, 120.0))))[0].rstrip().endswith("0.200: 120.0 ±0.5")
