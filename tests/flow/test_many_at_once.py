"""Many samples of the meter at once give the same as each by itself, to the last bit, however they are parted."""

from functools import lru_cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.basis import NO_BASIS
from acquire.flow.elementwise import power, root
from acquire.flow.model import FlowModel
from acquire.pull.signals import Signals
from acquire.values import Direction
from tests.flow.bench import INH2O, ROOM, bench_config
from tests.flow.test_meters import ALL_KINDS
from tests.whole.virtual import demo_config

KINDS = {
    **{kind: {"kind": kind, **its} for kind, its in ALL_KINDS.items()},
    "ISA 1932": {"kind": "pipe_nozzle", **ALL_KINDS["pipe_nozzle"], "shape": "ISA 1932"},
    "venturi nozzle": {"kind": "pipe_nozzle", **ALL_KINDS["pipe_nozzle"], "bore": "2 in", "shape": "venturi nozzle"},
    "rising": {"kind": "laminar", **ALL_KINDS["laminar"], "coefficients": [30.0, 0.2]},
    "choked by its own ratio": {"kind": "critical_nozzle", "bore": "20 mm", "highest_pressure": "300 inH2O"},
}
# every day's readings, and what no bench has: nothing, less than nothing, beyond choking, beyond the room's pressure
meter = st.one_of(st.floats(0.0, 20.0 * INH2O), st.floats(-1e3, 1.2e5), st.sampled_from([0.0, -0.0, 1e-14, 99000.0]))
test = st.one_of(st.floats(20.0 * INH2O, 60.0 * INH2O), st.floats(-1e3, 1.2e5), st.sampled_from([0.0, 1e-3, 99000.0]))
readings = st.lists(st.tuples(meter, test), min_size=1, max_size=80)
cuts = st.sets(st.integers(1, 79))


@lru_cache
def _model(kind: str, direction: Direction, upstream: str) -> FlowModel:
    key = f"upstream_{direction}"
    return FlowModel(bench_config({"ranges": {"large": KINDS[kind]}, key: upstream}), direction, "large", ROOM, 297.0)


def _parts(count: int, cuts: set[int]) -> list[slice]:
    return [slice(a, b) for a, b in pairwise([0, *sorted(its for its in cuts if its < count), count])]


def _bits(*arrays: np.ndarray) -> list[bytes]:
    return [its.tobytes() for its in arrays]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("direction", ["intake", "exhaust"])
@settings(max_examples=25, deadline=None)
@given(readings=readings, cuts=cuts, upstream=st.sampled_from(["room", "plenum", "above_plenum"]))
def test_any_part_of_the_samples_gives_the_same_bits_as_each_by_itself(
    kind: str, direction: Direction, upstream: str, readings: list[tuple[float, float]], cuts: set[int]
) -> None:
    model = _model(kind, direction, upstream)
    alone = np.array([model.area_and_flow(*its) for its in readings]).T
    meter_pa, test_pa = np.array(readings).T.copy()
    for part in _parts(len(readings), cuts):
        found = model.areas_and_flows(meter_pa[part], test_pa[part])
        assert _bits(*found) == _bits(*(its[part].copy() for its in alone))


@settings(max_examples=50, deadline=None)
@given(readings=readings, cuts=cuts, reads_leak=st.booleans())
def test_a_leak_that_reads_backwards_is_mirrored_for_many_as_for_one(
    readings: list[tuple[float, float]], cuts: set[int], reads_leak: bool
) -> None:
    config = demo_config()
    signals = Signals(config, "intake", next(iter(config.meter.ranges)), None, NO_BASIS, reads_leak=reads_leak)
    model = FlowModel(config, "intake", signals.meter_range, ROOM, 297.0)
    alone = np.array([signals.flow_by(model, *its) for its in readings]).T
    meter_pa, test_pa = np.array(readings).T.copy()
    for part in _parts(len(readings), cuts):
        found = signals.flows_by(model, meter_pa[part], test_pa[part])
        assert _bits(*found) == _bits(*(its[part].copy() for its in alone))


def test_a_leak_backwards_is_a_leak_forwards_with_its_sign() -> None:
    config = demo_config()
    signals = Signals(config, "intake", next(iter(config.meter.ranges)), None, NO_BASIS, reads_leak=True)
    model = FlowModel(config, "intake", signals.meter_range, ROOM, 297.0)
    meter_pa, test_pa = np.linspace(1.0, 50.0, 20), np.full(20, 28.0 * INH2O)
    forwards, backwards = (np.array(signals.flows_by(model, sign * meter_pa, test_pa)) for sign in (1.0, -1.0))
    assert np.all(forwards > 0.0)
    assert np.array_equal(backwards, -forwards)


@pytest.mark.parametrize("exponent", [1 / 1.4, 0.8, 1.15])
def test_powers_and_roots_of_an_array_are_those_of_its_numbers(exponent: float) -> None:
    many = np.random.default_rng(1).uniform(0.3, 1.0, 20_000)
    assert power(many, exponent).tolist() == [its**exponent for its in many.tolist()]
    assert root(many).tolist() == [root(its) for its in many.tolist()]
