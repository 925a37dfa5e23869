"""Is the bench ready to test?"""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.commands.options import BENCH, DB, JSON, archive_reader

if TYPE_CHECKING:
    from acquire.client import Client
    from acquire.ready.check import Checked


@click.command()
@BENCH
@DB
@JSON
@click.option("--list", "history", is_flag=True, help="The earlier checks instead of a new one.")
@click.option("--plate", is_flag=True, help="Run the reference plate first, as it was run last.")
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path), help="Also a picture: .png.")
def ready(bench: str | None, db: Path | None, as_json: bool, history: bool, plate: bool, output: Path | None) -> int:
    """Check the running bench: warm, zeros, leakage, plate, instruments.

    Stop the blower and close the valve; the rest goes by itself. Exit code 1
    when the bench is not ready.
    """
    from datetime import UTC, datetime

    def now_utc() -> str:
        return datetime.now(UTC).isoformat(timespec="seconds")

    if history:
        return _history(db, as_json, now_utc())
    from acquire.client import Client
    from acquire.ready.check import check_bench

    client = Client.find(bench)
    archive = client.archive_path()
    if plate:
        _run_plate(client, archive)
    checked = check_bench(client, archive, now_utc, lambda sentence: click.echo(sentence, err=True))
    if as_json:
        click.echo(checked.record.model_dump_json(indent=2))
    else:
        _show(checked)
    if output is not None:
        from acquire.sheet.ready_figure import write_ready_figure

        write_ready_figure(checked.record, checked.series, checked.bench, output)
    return 0 if checked.record.ready else 1


def _show(checked: "Checked") -> None:
    from acquire.ready.text import chart_text, check_text
    from acquire.ready.words import Words

    words = Words(checked.bench)
    newest = max((its.made_utc[-1] for its in checked.series), default="")
    for its in checked.series:
        if its.made_utc[-1] == newest:
            click.echo(f"{chart_text(its, words)}\n")
    click.echo(check_text(checked.record, checked.bench.name))


def _history(db: Path | None, as_json: bool, now: str) -> int:
    from acquire.ready.record import Readiness
    from acquire.ready.text import history_text

    with archive_reader(db) as reader:
        checks = reader.bench_records(Readiness)
    if as_json:
        click.echo("[" + ",\n".join(kept.record.model_dump_json(indent=2) for kept in checks) + "]")
    else:
        click.echo(history_text(checks, now))
    return 0


def _run_plate(client: "Client", archive: Path) -> None:
    from acquire.follow import follow
    from acquire.ready.check import last_plate_requests
    from acquire.records import Refused
    from acquire.store.reader import ArchiveReader

    bench = client.bench()
    with ArchiveReader(archive) as reader:
        requests = last_plate_requests(reader, bench)
    if not requests:
        named = f"{bench.ready.plate} was never run" if bench.ready.plate else "no plate is named in [ready]"
        raise Refused(f"{named}: run it once with a plan or in the dashboard, later runs are then made alike")
    for request in requests:
        click.echo(f"Reference plate {request.subject.identifier}, {request.direction}.", err=True)
        if not follow(client, client.begin(request), lambda line: click.echo(line, err=True)):
            raise Refused("the plate's run was not completed: the bench was not checked")
