"""Commands for pulls that travel: pack, unpack."""

from pathlib import Path

import click

from acquire.commands.options import DB, archive_path


@click.command()
@click.argument("pulls", nargs=-1, required=True)
@DB
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False, path_type=Path), help="The new file.")
@click.option("--without-plate", is_flag=True, help="Leave out the blank-plate pull whose leakage was subtracted.")
def pack(pulls: tuple[str, ...], db: Path | None, output: Path, without_plate: bool) -> None:
    """Pack PULLS into one file that can be replayed on another machine.

    It holds their samples as received, configuration, calibrations, leakage
    and points, and is sealed: a byte that changes on the way is found.
    """
    from acquire.clock import SystemClock
    from acquire.sessions.packing import pack as pack_pulls

    found = pack_pulls(archive_path(db), pulls, output, SystemClock().utc().isoformat(), not without_plate)
    for pull in found.pulls:
        click.echo(f"pull {pull.uid}, {pull.kind}, {pull.head}", err=True)
    size = output.stat().st_size / 1e6
    click.echo(f"{output} written, {size:.1f} MB. Elsewhere: steadydraw unpack {output.name}", err=True)


@click.command()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@DB
@click.option("--look", is_flag=True, help="Check the file and say what is in it, import nothing.")
def unpack(file: Path, db: Path | None, look: bool) -> None:
    """Check a packed FILE and import its pulls; they keep their ten letters and get new numbers.

    Stop the daemon first if it uses this archive. What is imported never
    counts on this bench: no leakage, no calibration, nothing to resume.
    """
    from acquire.clock import SystemClock
    from acquire.sessions.packing import inspect
    from acquire.sessions.packing import unpack as unpack_file

    if look:
        found = inspect(file)
        click.echo(f"{file} is whole: packed {found.packed_utc[:16]} UTC from {found.origin}.")
        for pull in found.pulls:
            click.echo(f"pull {pull.uid}, {pull.kind}, {pull.head}, taken by steadydraw {pull.software_version}")
        return
    _, unpacked = unpack_file(file, archive_path(db), SystemClock().utc().isoformat())
    for its in unpacked:
        where = (
            f"imported as pull {its.pull_id}" if its.new else f"is here already as pull {its.pull_id}: left as it is"
        )
        click.echo(f"pull {its.pull.uid} ({its.pull.kind}, {its.pull.head}) {where}")
    if not any(its.new for its in unpacked):
        click.echo("Nothing was imported.", err=True)
