"""The command that computes an archive again and lists what changes."""

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.commands.options import DB, JSON, archive_path

if TYPE_CHECKING:
    from acquire.sessions.recompute import PullNow


@click.command()
@click.argument("pulls", nargs=-1)
@DB
@click.option(
    "--change",
    type=click.Path(dir_okay=False, path_type=Path),
    help="A TOML file with the keys to change: laid over each pull's own settings.",
)
@click.option(
    "--config", type=click.Path(dir_okay=False, path_type=Path), help="A whole configuration, in place of each pull's."
)
@click.option("--workers", type=click.IntRange(min=1), help="Processes; by default one for each core.")
@click.option("--points", "by_point", is_flag=True, help="Also every point of the pulls that changed.")
@JSON
def recompute(
    pulls: tuple[str, ...],
    db: Path | None,
    change: Path | None,
    config: Path | None,
    workers: int | None,
    by_point: bool,
    as_json: bool,
) -> int:
    """Compute PULLS (all, if none is named) again from what was recorded, and list what changes.

    Without new settings it shows what this version changes. Nothing in the
    archive is touched. Exit code 1 when anything changed or could not be computed.
    """
    from acquire.sessions.recompute import Settings, compute_again
    from acquire.sessions.recompute_text import recomputed_json, recomputed_text
    from acquire.store.reader import ArchiveReader

    if change is not None and config is not None:
        raise click.UsageError("Give --change or --config, not both.")
    settings = Settings()
    if change is not None:
        settings = Settings.laid_over(change)
    elif config is not None:
        settings = Settings.instead(config)
    archive = archive_path(db)
    with ArchiveReader(archive) as reader:
        wanted = [reader.pull(name).id for name in pulls] if pulls else [row.id for row in reader.pulls()]
    wanted = sorted(set(wanted))
    several = min(workers or os.cpu_count() or 1, max(len(wanted), 1))
    found: list[PullNow] = []
    with click.progressbar(length=len(wanted), label="pulls", file=sys.stderr) as bar:
        for its in compute_again(archive, wanted, settings, several):
            found.append(its)
            bar.update(1)
    found.sort(key=lambda its: its.pull_id)
    click.echo(recomputed_json(found, settings) if as_json else recomputed_text(found, settings, by_point=by_point))
    return 1 if any(its.changed or its.failure for its in found) else 0
