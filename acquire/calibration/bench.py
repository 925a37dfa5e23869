"""Which bench is calibrated: as it runs, as a file configures it, or as it was last recorded."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from acquire.bench_records import Kept
from acquire.calibration.in_force import newest_for
from acquire.calibration.making import Target
from acquire.calibration.record import Calibration, CalibrationCheck
from acquire.client import Client, ClientError
from acquire.config import BenchConfig, load_config
from acquire.records import BenchChannel, Refused, bench_channels
from acquire.store.reader import ArchiveReader
from acquire.units import Water
from acquire.values import CHANNEL_KINDS
from acquire.where import data_folder, read_address


@dataclass(frozen=True, slots=True)
class Bench:
    """What a calibration must know of a bench; ``client`` where it runs."""

    name: str
    water: Water
    channels: Mapping[str, BenchChannel]
    archive: Path
    client: Client | None = field(default=None, compare=False)

    def target(self, channel: str) -> Target:
        """A channel with what is in force for it. Raises ``Refused`` for one that no instrument measures."""
        name = channel.replace(" ", "_").replace("-", "_")
        its = self.channels.get(name)
        if its is None:
            known = ", ".join(self.channels)
            why = "is not measured by an instrument of" if name in CHANNEL_KINDS else "is no channel of"
            raise Refused(f"{channel} {why} bench {self.name}: use one of {known}.")
        before = None
        if self.archive.exists():
            with ArchiveReader(self.archive) as reader:
                before = newest_for(reader, name, self.name, its.instrument)
        return Target(self.name, self.water, name, its.instrument, its.settings, before)


def find_bench(config_path: Path | None, bench: str | None, db: Path | None) -> Bench:
    """The bench of a file, else the one that runs, else the last one in the archive. Raises one sentence."""
    client = _running(bench)
    archive = archive_of(db, bench, client)
    if config_path is not None:
        config = load_config(config_path)
        if client is not None and client.bench_name != config.name:
            client = None
        return _of(config, archive, client)
    if client is not None:
        its = client.bench()
        return Bench(its.name, its.water, its.channels, archive, client)
    if bench is None and archive.exists():
        with ArchiveReader(archive) as reader:
            if reader.pulls(limit=1):
                return _of(reader.pull("last").config, archive, None)
    raise Refused("No bench is running and none is recorded yet: name its file with --config.")


def archive_of(db: Path | None, bench: str | None, client: Client | None = None) -> Path:
    """The archive of ``--db``, else of the running bench, else that of the data folder."""
    if db is not None:
        return db
    client = client or _running(bench)
    address = read_address(client.bench_name) if client is not None and client.bench_name is not None else None
    return Path(address.archive) if address is not None else data_folder() / "archive.db"


def history(archive: Path, channel: str | None) -> list[Kept[Calibration] | Kept[CalibrationCheck]]:
    """Every calibration and check (of a channel), the oldest first."""
    key = channel.replace(" ", "_").replace("-", "_") if channel is not None else None
    with ArchiveReader(archive) as reader:
        made = reader.bench_records(Calibration, key=key)
        checks = reader.bench_records(CalibrationCheck, key=key)
    found: list[Kept[Calibration] | Kept[CalibrationCheck]] = [*made, *checks]
    return sorted(found, key=lambda its: (its.record.made_utc, its.id))


def _running(bench: str | None) -> Client | None:
    try:
        return Client.find(bench)
    except ClientError as error:
        if bench is not None or str(error).startswith("several"):
            raise
        return None


def _of(config: BenchConfig, archive: Path, client: Client | None) -> Bench:
    return Bench(config.name, config.water, bench_channels(config), archive, client)
