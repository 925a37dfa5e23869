"""Twelve benches, two pulls on each: what was taken against what the simulation knows.

The meter's calibration error is one draw a bench and is most of the interval,
so that the points of one bench hold or miss together: over few benches the
share inside swings. ``python -m tests.benchmarks.coverage`` runs many.
"""

import math
from functools import lru_cache

import pytest

from acquire.demo.plan import demo_requests
from acquire.records import PullRequest
from acquire.units import INCH_M
from tests.whole.virtual import Run, VirtualBench

SEEDS = tuple(range(1, 13))
LIFTS = tuple(lift * INCH_M for lift in (0.1, 0.2, 0.35, 0.5, 0.7))


@lru_cache(maxsize=1)
def pulls() -> list[tuple[int, VirtualBench, PullRequest, Run]]:
    found = []
    for seed in SEEDS:
        bench = VirtualBench(seed)
        law = None
        for request in demo_requests(bench.config):
            if request.kind == "leakage":
                law = bench.leakage(request)
                continue
            shorter = request.model_copy(update={"lifts_m": LIFTS})
            found.append((seed, bench, shorter, bench.pull(shorter, law)))
    return found


@pytest.mark.timeout(600)
@pytest.mark.xdist_group("truth")
def test_no_point_is_taken_during_a_move_or_on_a_plateau_half_way() -> None:
    for seed, _, request, run in pulls():
        assert len(run.points) == len(LIFTS)
        for point, truth in zip(run.points, run.truth_at_taking, strict=True):
            where = f"seed {seed}, {request.direction}, step {point.step + 1}: {truth}"
            assert truth["lift_doing"] == "holding", where
            assert truth["pressure_doing"] == "holding", where
            assert abs(truth["lift_m"] - LIFTS[point.step]) < 0.0025 * INCH_M, where
            # what is left of the approach lies within what the reading states of itself
            stated = 2 * point.capture.standard_uncertainty_m2 / point.capture.area_m2
            assert abs(truth["flow_error_rel"]) < 0.0025 + stated, where


@pytest.mark.timeout(600)
@pytest.mark.xdist_group("truth")
def test_the_stated_intervals_hold_the_truth_and_the_bias_is_small() -> None:
    ratios, errors = [], []
    for _, bench, request, run in pulls():
        for point in run.points:
            truth = bench.truth_m3_s(request.direction, request.lifts_m[point.step])
            ratios.append((point.flow.flow_m3_s - truth) / point.flow.half_width_95_m3_s)
            errors.append(point.flow.flow_m3_s / truth - 1)
    inside = sum(abs(ratio) <= 1 for ratio in ratios) / len(ratios)
    spread = 1.96 * math.sqrt(sum(ratio**2 for ratio in ratios) / len(ratios))
    bias = sum(errors) / len(errors)
    print(f"{len(ratios)} points: {inside:.1%} inside, spread {spread:.2f} of the stated, bias {bias:+.3%}")
    assert inside >= 0.93
    # intervals that are much too wide are as dishonest as those that are too narrow
    assert 0.6 <= spread <= 1.3
    # the mean of twelve calibration errors of 0.4 % each
    assert abs(bias) < 3 * 0.004 / math.sqrt(len(SEEDS))
