"""Two ranges of the meter over one step: what they share cancels, what does not decides."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.budget.difference import difference
from acquire.config import BenchConfig, parse_config
from acquire.flow.range_comparison import disagreement, ranges_compared
from acquire.flow.reading import FlowModel
from acquire.pull.core import PullCore
from acquire.pull.outputs import PullState
from acquire.records import Action
from acquire.text import pull_text
from acquire.values import FlowResult, Point
from tests.flow.bench import INH2O, ROOM, bench_config, captured, evaluated, leakage_law
from tests.sheet.example import pull
from tests.store.examples import CONFIG, POINT, REQUEST

AREA_M2 = 2.5e-4
RANGES = {
    "middle": {"area": "2.6 cm2", "accuracy": "0.8 %", "highest_pressure": "30 inH2O"},
    "large": {"area": "8 cm2", "accuracy": "0.8 %", "highest_pressure": "30 inH2O"},
}


def _config() -> BenchConfig:
    return bench_config({"ranges": RANGES})


def _read(meter_range: str, off: float = 0.0, true_m2: float = AREA_M2) -> FlowResult:
    """A reading of a port by a range whose calibration is off."""
    model = FlowModel(_config(), "intake", meter_range, ROOM, 297.0)
    low, high = 1.0, 30 * INH2O
    for _ in range(60):
        meter_pa = 0.5 * (low + high)
        too_much = model.effective_area_m2(meter_pa, 28 * INH2O) > true_m2 * (1.0 + off)
        low, high = (low, meter_pa) if too_much else (meter_pa, high)
    capture = captured(true_m2 * (1.0 + off), 0.0005 * true_m2)
    return evaluated(model, meter_pa=low, capture=capture, leakage=leakage_law(2e-6))


def _point(meter_range: str, off: float, step: int, take: int) -> Point:
    return replace(POINT, step=step, take=take, meter_range=meter_range, flow=_read(meter_range, off))


def test_ranges_that_differ_within_their_calibrations_agree() -> None:
    points = [_point("middle", 0.004, 0, 1), _point("large", -0.003, 0, 2), _point("large", 0.0, 1, 1)]
    (found,) = ranges_compared(points)
    assert (found.step, found.first.meter_range, found.second.meter_range) == (0, "middle", "large")
    assert found.agree
    # 0.8 % each, not shared: sqrt(2) of that and a little for digits, zeros and scatter
    assert 0.0113 < found.difference.half_width_95_rel < 0.02
    assert found.difference.relative == pytest.approx(1.004 / 0.997 - 1.0, rel=0.02)
    assert disagreement(points) is None


def test_ranges_that_differ_by_more_are_marked_with_step_and_size() -> None:
    points = [_point("middle", 0.0, 0, 1), _point("middle", 0.025, 1, 1), _point("large", -0.01, 1, 2)]
    mark = disagreement(points)
    assert mark is not None
    assert mark.kind == "meter ranges"
    assert mark.sentence.startswith("The meter's ranges disagree: middle reads +3.6 % of large at step 2 (± 1.")


def test_only_the_last_take_of_a_range_counts() -> None:
    points = [_point("middle", 0.05, 0, 1), _point("large", 0.0, 0, 2), _point("middle", 0.0, 0, 3)]
    (found,) = ranges_compared(points)
    assert (found.first.take, found.second.take) == (2, 3)
    assert found.agree


def test_what_belongs_to_the_bench_cancels_and_the_calibrations_do_not() -> None:
    (found,) = ranges_compared([_point("middle", 0.0, 0, 1), _point("large", 0.0, 0, 2)])
    common = {part.name for part in found.difference.parts if part.common}
    assert {"test pressure", "room pressure", "room temperature", "isentropic exponent", "leakage"} <= common
    assert not common & {"meter calibration", "meter expansibility", "reading"}
    calibration = next(part for part in found.difference.parts if part.name == "meter calibration")
    assert calibration.left_m3_s == pytest.approx((calibration.first_m3_s**2 + calibration.second_m3_s**2) ** 0.5)


@settings(max_examples=15, deadline=None)
@given(st.floats(5e-5, 6e-4), st.floats(-0.05, 0.05))
def test_equal_heads_do_not_differ_whatever_calibration_error_they_share(area_m2: float, off: float) -> None:
    first, second = _read("large", off, area_m2), _read("large", off, area_m2)
    shared = {its.name for its in first.budget if its.shared}
    its = difference(first, second, shared)
    assert its.value_m3_s == 0.0
    assert its.relative == 0.0
    assert all(part.left_m3_s == 0.0 for part in its.parts if part.name == "meter calibration")
    # only what is new with every reading is left
    new = sum(part.left_m3_s**2 for part in its.parts if not part.common) ** 0.5
    assert its.standard_uncertainty_m3_s == pytest.approx(new, rel=1e-9)


def test_a_pull_that_ends_with_ranges_apart_is_marked() -> None:
    text = CONFIG.replace('[meter.ranges."range 1"]', '[meter.ranges.large]\narea = "8 cm2"\naccuracy = "0.8 %"\n'
                          'highest_pressure = "30 inH2O"\n\n[meter.ranges."range 1"]')  # fmt: skip
    config = parse_config(text, "bench.toml")
    points = (_point("middle", 0.025, 0, 1), _point("large", -0.01, 0, 2))
    state = PullState(phase="zero_after", meter_range="range 1", points=points)
    core = PullCore(config, REQUEST, start=state)
    core.act(1, Action(kind="skip"))
    assert core.outcome == "complete"
    assert [mark.kind for mark in core.view().marks].count("meter ranges") == 1


def test_show_puts_both_ranges_of_a_step_beside_each_other() -> None:
    points = (_point("middle", 0.0, 0, 1), _point("large", 0.001, 0, 2), _point("middle", 0.04, 1, 1))
    said = pull_text(replace(pull("intake"), points=(*points, _point("large", 0.0, 1, 2))))
    first, second = [line for line in said.splitlines() if line.startswith("Ranges at step")]
    assert first.startswith("Ranges at step 1: middle ")
    assert first.endswith("they agree.")
    assert second.endswith("THEY DISAGREE.")
    assert max(len(first), len(second)) <= 80
    assert "Ranges at step" not in pull_text(replace(pull("intake"), points=points[:1]))
