"""Commands that keep the archive safe: backup, restore, rescue."""

import sys
from pathlib import Path

import click

from acquire.commands.options import DB, archive_path


@click.command()
@click.argument("to", metavar="FILE", type=click.Path(path_type=Path))
@DB
@click.option("--force", is_flag=True, help="Replace FILE when it is there already.")
@click.option(
    "--keep", type=click.IntRange(min=1), help="In a folder: keep this many dated backups, remove older ones."
)
def backup(to: Path, db: Path | None, force: bool, keep: int | None) -> None:
    """Copy the archive to FILE, or to a dated file in a folder, also while a pull runs.

    The copy is checked before it gets its name: nothing damaged, and every
    pull and point there. It is an archive: read it with --db FILE. Keep it
    on another disk.
    """
    from acquire.clock import SystemClock
    from acquire.store.backup import back_up

    archive = archive_path(db)
    with click.progressbar(length=1000, label="copying", file=sys.stderr) as bar:

        def progress(done: int, of: int) -> None:
            bar.update(1000 * done // max(1, of) - bar.pos)

        made = back_up(archive, to, SystemClock().utc(), force, keep, progress)
    click.echo(f"{made.path} written and checked: {_said(made.pulls, made.points, made.size_bytes)}", err=True)
    for path in made.removed:
        click.echo(f"{path.name} removed: --keep {keep}", err=True)


@click.command()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@DB
def restore(file: Path, db: Path | None) -> None:
    """Put the backup FILE in the archive's place. Stop the daemon first.

    The backup is checked before; the present archive is set aside under
    another name, not removed.
    """
    from acquire.clock import SystemClock
    from acquire.store.backup import restore as restore_archive

    archive = archive_path(db)
    made, aside = restore_archive(file, archive, SystemClock().utc())
    click.echo(f"{archive} is now the backup: {_said(made.pulls, made.points, made.size_bytes)}", err=True)
    if aside is not None:
        click.echo(f"What was there before is kept as {aside}", err=True)


@click.command()
@DB
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False, path_type=Path), help="The new archive.")
def rescue(db: Path | None, output: Path) -> None:
    """Save what can be read of a damaged archive in a new one; the damaged one is left as it is.

    First look whether a backup serves you better: it has all that was there
    when it was made.
    """
    from acquire.store.rescue import rescue as save_what_can_be_read

    saved = save_what_can_be_read(archive_path(db), output)
    rows = {its.table: its.rows for its in saved}
    click.echo(f"{output} written: {_said(rows['pulls'], rows['points'], output.stat().st_size)}", err=True)
    for its in saved:
        if its.left_out:
            click.echo(f"{its.table}: {its.left_out} of {its.rows + its.left_out} could not be saved", err=True)
    if not any(its.left_out for its in saved):
        click.echo("Nothing seems to be missing.", err=True)


def _said(pulls: int, points: int, size_bytes: int) -> str:
    return f"pulls {pulls}, points {points}, {size_bytes / 1e6:.1f} MB."
