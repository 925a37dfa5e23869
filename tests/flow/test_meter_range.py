"""A reading outside its range names the range to use instead."""

from acquire.config import AnyMeterRange, BenchConfig, Meter, MeterRange
from acquire.flow.meter_range import range_fault

INH2O = 249.08891


def bench(*ranges: tuple[str, float, float, float]) -> BenchConfig:
    """Name, area in mm2, lowest and highest pressure in inH2O of each range."""
    made: dict[str, AnyMeterRange] = {
        name: MeterRange(
            area_m2=area * 1e-6, accuracy=0.01, lowest_pressure_pa=low * INH2O, highest_pressure_pa=high * INH2O
        )
        for name, area, low, high in ranges
    }
    return BenchConfig(
        name="b", meter=Meter(ranges=made), schedules={}, instruments={"a": {"driver": "lines_streamed"}}
    )


THREE = bench(("small", 40.0, 0.05, 16.0), ("middle", 600.0, 0.2, 16.0), ("large", 1800.0, 0.1, 16.0))
APART = bench(("small", 40.0, 0.05, 16.0), ("large", 1800.0, 2.0, 16.0))


def test_within_the_range_there_is_no_fault() -> None:
    assert range_fault(THREE, "middle", 8.0 * INH2O) is None


def test_above_the_range_those_that_read_this_flow_are_named() -> None:
    assert "use range 'large'" in (range_fault(THREE, "middle", 20.0 * INH2O) or "")


def test_above_the_smallest_range_the_next_larger_one_is_named_even_where_it_reads_no_such_small_flow() -> None:
    # 40 mm2 at 20 inH2O pass less than 1800 mm2 at 2 inH2O: but what the small plate holds back is not known
    assert "above" in (range_fault(APART, "small", 20.0 * INH2O) or "")
    assert "use range 'large'" in (range_fault(APART, "small", 20.0 * INH2O) or "")


def test_above_the_largest_and_below_the_smallest_range_nothing_fits() -> None:
    assert "no configured range fits this flow" in (range_fault(THREE, "large", 20.0 * INH2O) or "")
    assert "no configured range fits this flow" in (range_fault(THREE, "small", 0.01 * INH2O) or "")
