"""The bench's stored repeatability as comparisons use it."""

from dataclasses import dataclass

from acquire.comparison.differences import Spread, one_pull_variance
from acquire.records import ArchivedPull
from acquire.repeat.record import SAME_LIFT_M, LiftRepeat, Repeatability
from acquire.repeat.study import setup_in_words
from acquire.store.reader import ArchiveReader

_SAME_PRESSURE_REL = 0.005


@dataclass(frozen=True, slots=True)
class StoredRepeats:
    """A kept study: how far one pull on a mount of its own scatters, at any lift between those studied."""

    record: Repeatability

    def at(self, lift_m: float) -> Spread | None:
        """The spread at a lift, on a straight line between studied ones; None outside of them."""
        known = [its for its in self.record.lifts if its.mean_m3_s > 0.0]
        for its in known:
            if abs(its.lift_m - lift_m) <= SAME_LIFT_M:
                return _spread(its)
        below = [its for its in known if its.lift_m < lift_m]
        above = [its for its in known if its.lift_m > lift_m]
        if not below or not above:
            return None
        a, b = _spread(below[-1]), _spread(above[0])
        share = (lift_m - below[-1].lift_m) / (above[0].lift_m - below[-1].lift_m)
        return Spread(a.rel + share * (b.rel - a.rel), min(a.dof, b.dof))


def _spread(its: LiftRepeat) -> Spread:
    variance, dof = one_pull_variance(its.ms_between, its.ms_within, its.mounts, its.pulls_per_mount)
    return Spread(variance**0.5 / its.mean_m3_s, max(dof, 1.0))


def stored_repeats(reader: ArchiveReader, pull: ArchivedPull) -> StoredRepeats | None:
    """The newest study made the way ``pull`` was: bench, direction, test pressure and set-up."""
    request, setup = pull.request, setup_in_words(pull)
    pressure_pa = request.setup.test_pressure_pa
    for kept in reader.bench_records(Repeatability, key=request.direction):
        its = kept.record
        near = abs(its.test_pressure_pa - pressure_pa) <= _SAME_PRESSURE_REL * pressure_pa
        if its.bench == pull.config.name and its.setup == setup and near:
            return StoredRepeats(its)
    return None
