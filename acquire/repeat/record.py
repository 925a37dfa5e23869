"""How well this bench repeats, as it is kept."""

from typing import ClassVar

from acquire.bench_records import BenchRecord
from acquire.quantity import Table
from acquire.repeat.nested import Nested

# two lifts nearer than this are one
SAME_LIFT_M = 0.01e-3


class LiftRepeat(Table):
    """One lift of a study: stated flows in m3/s, mean squares in (m3/s)^2.

    ``s_within_m3_s`` and ``s_between_m3_s`` follow from the mean squares and
    are kept so that the record can be read without this program.
    """

    lift_m: float
    mean_m3_s: float
    mounts: int
    pulls: int
    pulls_per_mount: float
    ms_within: float
    ms_between: float
    s_within_m3_s: float
    within_dof: float
    s_between_m3_s: float
    between_dof: float

    @classmethod
    def of(cls, lift_m: float, study: Nested) -> "LiftRepeat":
        """From the analysis of variance."""
        return cls(
            lift_m=lift_m,
            mean_m3_s=study.mean,
            mounts=study.groups,
            pulls=study.values,
            pulls_per_mount=study.per_group,
            ms_within=study.ms_within,
            ms_between=study.ms_between,
            s_within_m3_s=study.s_within,
            within_dof=study.dof_within,
            s_between_m3_s=study.s_between,
            between_dof=study.s_between_dof,
        )

    @property
    def study(self) -> Nested:
        """The analysis of variance again."""
        return Nested(self.mounts, self.pulls, self.pulls_per_mount, self.mean_m3_s, self.ms_between, self.ms_within)


class Repeatability(BenchRecord):
    """Standard deviations within a mount and between mounts, by rising lift.

    ``setup`` is the set-up in words; ``mounts`` the pulls' numbers, one group
    a mount.
    """

    KIND: ClassVar[str] = "repeatability"

    direction: str = ""
    test_pressure_pa: float = 0.0
    setup: str = ""
    subject: str = ""
    bench: str = ""
    mounts: tuple[tuple[int, ...], ...] = ()
    lifts: tuple[LiftRepeat, ...] = ()

    @property
    def key(self) -> str:
        """The direction."""
        return self.direction
