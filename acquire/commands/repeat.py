"""The command for the bench's repeatability."""

from pathlib import Path
from typing import Any

import click

from acquire.commands.options import DB, JSON, archive_path, archive_reader


@click.command()
@click.argument("mounts", nargs=-1)
@DB
@click.option("--dry-run", is_flag=True, help="Show it, keep nothing.")
@click.option("--show", "showing", is_flag=True, help="The one in force, for each direction.")
@click.option("--direction", type=click.Choice(["intake", "exhaust"]), help="With --show.")
@click.option("--by", default="", help="Who made the study.")
@JSON
def repeat(mounts: tuple[str, ...], db: Path | None, dry_run: bool, by: str, **options: Any) -> None:
    """How well does this bench repeat? Each of MOUNTS is one mount's pulls: 12,13,14 15,16,17

    Pull one head several times, take it off and mount it again in between,
    and give the pulls of each mount as one word. What is found is kept, and
    comparisons of heads rest on it.
    """
    if options["showing"] != (not mounts):
        raise click.UsageError("Give the pulls of each mount, such as 12,13 15,16, or --show.")
    if options["showing"]:
        _show(db, options["direction"], options["as_json"])
        return
    from acquire.clock import SystemClock
    from acquire.keeping import keep
    from acquire.records import Refused
    from acquire.repeat.study import study
    from acquire.repeat.text import repeat_json, repeat_text

    groups = [[name for name in word.split(",") if name.strip()] for word in mounts]
    if not all(groups):
        raise Refused("A mount without a pull: write each as its pulls' numbers with commas, such as 12,13.")
    with archive_reader(db) as reader:
        pulls = [[reader.pull(name.strip()) for name in group] for group in groups]
        found = study(pulls, SystemClock().utc().isoformat(), by)
        config = reader.pull(found.record.mounts[0][0]).config
    notes = [*found.left_out, *found.noted]
    number = None if dry_run else keep(archive_path(db), found.record)
    if options["as_json"]:
        click.echo(repeat_json(found.record, notes, number))
        return
    click.echo(repeat_text(found.record, config, notes))
    click.echo("Not kept." if number is None else f"Kept as number {number}.", err=True)


def _show(db: Path | None, direction: str | None, as_json: bool) -> None:
    from acquire.records import Refused
    from acquire.repeat.record import Repeatability
    from acquire.repeat.text import repeat_json, repeat_text

    with archive_reader(db) as reader:
        newest = [reader.bench_records(Repeatability, key=key, limit=1) for key in ("intake", "exhaust")]
        found = [its for kept in newest for its in kept if direction in (None, its.record.direction)]
        if not found:
            raise Refused("No repeatability study is kept yet: make one with steadydraw repeat 12,13 15,16.")
        configs = [reader.pull(its.record.mounts[0][0]).config for its in found]
    if as_json:
        click.echo("[" + ",\n".join(repeat_json(its.record, kept=its.id) for its in found) + "]")
        return
    texts = [
        f"Kept as number {its.id}, {its.record.made_utc[:16].replace('T', ' ')} UTC{_by(its.record.made_by)}.\n"
        + repeat_text(its.record, config)
        for its, config in zip(found, configs, strict=True)
    ]
    click.echo("\n\n".join(texts))


def _by(name: str) -> str:
    return f", by {name}" if name else ""
