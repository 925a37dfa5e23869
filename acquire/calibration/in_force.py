"""Which calibrations hold for a bench: the newest of each configured channel and instrument."""

from acquire.bench_records import Kept
from acquire.calibration.record import Calibration
from acquire.config import BenchConfig
from acquire.store.reader import ArchiveReader
from acquire.units import kind_of
from acquire.values import CHANNEL_KINDS


def calibrations_in_force(reader: ArchiveReader, config: BenchConfig) -> dict[str, Kept[Calibration]]:
    """By channel. A channel without any is left out: the configuration's scale and accuracy hold."""
    found = {}
    for instrument in config.make_instruments():
        for channel in instrument.settings.channels:
            newest = newest_for(reader, channel, config.name, instrument.name)
            if newest is not None:
                found[channel] = newest
    return found


def newest_for(reader: ArchiveReader, channel: str, bench: str, instrument: str) -> Kept[Calibration] | None:
    """The newest calibration of one instrument's channel."""
    made = reader.bench_records(Calibration, key=channel)
    return next((its for its in made if holds_for(its.record, bench, instrument)), None)


def holds_for(calibration: Calibration, bench: str, instrument: str) -> bool:
    """Whether it is of that bench's instrument, and measures what its channel measures."""
    same_kind = kind_of(calibration.unit) == CHANNEL_KINDS[calibration.channel]
    return calibration.bench in ("", bench) and calibration.instrument == instrument and same_kind
