"""A simulated flow bench, its instruments and its operator, with nothing shared with the tool it tests."""

from sim.bench import SimBench
from sim.faults import Fault
from sim.scenario import SCENARIOS, Scenario

__all__ = ["SCENARIOS", "Fault", "Scenario", "SimBench"]
