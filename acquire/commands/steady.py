"""The command that proves how the test pressure held: in one pull, or over all of them."""

from datetime import datetime
from pathlib import Path

import click

from acquire.commands.options import DB, JSON, archive_reader


@click.command()
@click.argument("pull", required=False)
@DB
@click.option("--all", "over_all", is_flag=True, help="All lift pulls: how steady is this bench, is it getting worse?")
@click.option("--since", type=click.DateTime(["%Y-%m-%d", "%Y-%m"]), help="With --all: from this day (UTC) on.")
@click.option("--last", type=click.IntRange(min=1), help="With --all: the newest so many.")
@click.option("--on", "on_bench", help="With --all: the bench's name, where the archive has several.")
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path), help="Also a page: .pdf or .png.")
@JSON
def steady(
    pull: str | None,
    db: Path | None,
    over_all: bool,
    since: datetime | None,
    last: int | None,
    on_bench: str | None,
    output: Path | None,
    as_json: bool,
) -> int:
    """Did the test pressure hold in PULL? Exit code 1 when it did not.

    With --all, over many pulls: how steady the bench is, and exit code 1 when
    it gets worse.
    """
    if (pull is None) != over_all:
        raise click.UsageError("Name one pull, or ask for all of them with --all.")
    if pull is None:
        return _over_all(db, since, last, on_bench, output, as_json)
    if since is not None or last is not None or on_bench is not None:
        raise click.UsageError("--since, --last and --on go with --all.")
    return _one(pull, db, output, as_json)


def _one(pull: str, db: Path | None, output: Path | None, as_json: bool) -> int:
    from acquire.steadiness.one_pull import pull_hold
    from acquire.steadiness.one_pull_text import hold_json, hold_text

    with archive_reader(db) as reader:
        found = reader.pull(pull)
        held = pull_hold(reader, found)
    click.echo(hold_json(held) if as_json else hold_text(found, held))
    if output is not None:
        from acquire.sheet.steady_page import write_steady_page

        write_steady_page(found, held, output)
    return 0 if held.held else 1


def _over_all(
    db: Path | None, since: datetime | None, last: int | None, on_bench: str | None, output: Path | None, as_json: bool
) -> int:
    from acquire.records import Refused
    from acquire.steadiness.many_pulls import bench_steadiness
    from acquire.steadiness.many_pulls_text import steadiness_json, steadiness_text

    with archive_reader(db) as reader:
        pulls = reader.held_pulls("" if since is None else since.date().isoformat())
    try:
        found = bench_steadiness(pulls, on_bench, last)
    except ValueError as error:
        raise Refused(str(error)) from error
    click.echo(steadiness_json(found) if as_json else steadiness_text(found))
    if output is not None:
        from acquire.sheet.steadiness_page import write_steadiness_page

        write_steadiness_page(found, output)
    return 1 if found.worse else 0
