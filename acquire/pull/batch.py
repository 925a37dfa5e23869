"""Many samples in their order of arrival, as arrays: what is done with all of a channel is done once."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.sample import Sample

Names = dict[int, tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Batch:
    """Samples in their order of arrival: number of the channel, time (us), number as received; shapes (n,).

    ``names``: channel and source of each number. Times never go back within a channel.
    """

    number: NDArray[np.uint8]
    t_us: NDArray[np.int64]
    value: NDArray[np.float64]
    names: Names

    @classmethod
    def of(cls, samples: Sequence[Sample]) -> "Batch":
        """The same samples as arrays."""
        numbers: dict[tuple[str, str], int] = {}
        number = [numbers.setdefault((s.channel, s.source), len(numbers)) for s in samples]
        return cls(
            np.array(number, np.uint8),
            np.array([s.t_us for s in samples], np.int64),
            np.array([s.value for s in samples], np.float64),
            {its: name for name, its in numbers.items()},
        )

    def __len__(self) -> int:
        return len(self.number)

    def part(self, start: int, end: int) -> "Batch":
        """Those from ``start`` up to, but without, ``end``."""
        return Batch(self.number[start:end], self.t_us[start:end], self.value[start:end], self.names)

    def places(self, channel: str) -> NDArray[np.intp]:
        """Where the samples of a channel stand, in their order."""
        its = [number for number, (name, _) in self.names.items() if name == channel]
        if len(its) == 1:
            return np.flatnonzero(self.number == its[0])
        return np.flatnonzero(np.isin(self.number, its))

    def samples(self) -> list[Sample]:
        """One by one."""
        columns = zip(self.number.tolist(), self.t_us.tolist(), self.value.tolist(), strict=True)
        names = self.names
        return [Sample(names[number][0], t_us, value, names[number][1]) for number, t_us, value in columns]
