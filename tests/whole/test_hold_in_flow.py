"""What the test pressure does to the flow: as it was measured, and with its scatter in the interval."""

import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from acquire.budget.influences import READING
from acquire.demo.plan import demo_requests
from acquire.flow.reading import FlowModel
from acquire.records import PullRequest
from acquire.steadiness.one_pull import in_the_flow, largest_parts, parts_of
from acquire.units import INCH_M
from acquire.values import AirState, Point
from drivers.sample import Press, Sample
from tests.whole.virtual import VirtualBench, demo_config

REQUEST = PullRequest.model_validate(demo_requests(demo_config())[1].model_dump() | {"lifts_m": (0.3 * INCH_M,)})


class Gauge(VirtualBench):
    """A bench whose test pressure gauge adds a scatter of its own, as a share of what it reads."""

    def __init__(self, seed: int, scatter: float) -> None:
        super().__init__(seed)
        self._scatter, self._rng = scatter, random.Random(seed)

    def tick(self) -> tuple[list[Sample], list[Press]]:
        samples, presses = super().tick()
        return [self._shaken(its) if its.channel == "test_pressure" else its for its in samples], presses

    def _shaken(self, its: Sample) -> Sample:
        return its._replace(value=its.value * (1.0 + self._rng.gauss(0.0, self._scatter)))


def reading(scatter: float) -> Point:
    (point,) = Gauge(21, scatter).pull(REQUEST).points
    return point


def test_what_the_gauge_scatters_comes_out_as_scatter_of_the_flow_and_in_its_budget() -> None:
    quiet, shaken = reading(0.0), reading(0.006)
    assert shaken.hold.sd_pa > quiet.hold.sd_pa
    # the flow goes with the root of the pressure: half of 0.6 % is 0.3 % of the area
    added = (shaken.capture.noise_m2 / shaken.capture.area_m2) ** 2 - (
        quiet.capture.noise_m2 / quiet.capture.area_m2
    ) ** 2
    assert added**0.5 == pytest.approx(0.003, rel=0.35)
    for point in (quiet, shaken):
        (part,) = (part for part in point.flow.budget if part.name == READING)
        assert part.standard_uncertainty == point.capture.standard_uncertainty_m2
        assert not part.shared


@given(st.floats(0.8, 1.2))
def test_a_pressure_beside_its_target_gives_the_same_area_since_it_is_the_measured_one_that_counts(
    share: float,
) -> None:
    model = FlowModel(demo_config(), "intake", "large", AirState(101325.0, 293.15, 0.4), 293.15)
    target_pa, area = 6974.5, 6e-4

    def meter_at(test_pa: float) -> float:
        return float(brentq(lambda meter: model.effective_area_m2(meter, test_pa) - area, 10.0, 6000.0, xtol=1e-9))

    assert model.effective_area_m2(meter_at(share * target_pa), share * target_pa) == pytest.approx(area, rel=1e-9)
    # taken at the target instead, it would be wrong by about half of what the pressure was off
    wrong = model.effective_area_m2(meter_at(share * target_pa), target_pa) / area - 1.0
    assert wrong == pytest.approx(0.5 * (share - 1.0), abs=0.02 * abs(share - 1.0) + 0.06 * (share - 1.0) ** 2 + 1e-9)


def test_the_evidence_says_which_share_of_the_interval_comes_in_with_the_pressure() -> None:
    point = reading(0.0)
    parts = parts_of(point)
    assert len(parts) == 4
    assert 0.0 < sum(parts.values()) < 1.0
    total = sum(part.contribution_rel**2 for part in point.flow.budget)
    (gauge,) = (part for part in point.flow.budget if part.name == "test pressure")
    assert parts["the gauge"] >= gauge.contribution_rel**2 / total
    assert largest_parts([point, point]) == parts
    said = in_the_flow([point])
    assert "as it was measured, sample by sample" in said
    assert "the gauge " in said
    bare = replace(point, flow=replace(point.flow, budget=()))
    assert in_the_flow([bare]).endswith("so in the ±.")
