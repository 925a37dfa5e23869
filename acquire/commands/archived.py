"""Commands that read the archive: list, show, export, replay, the flow sheet."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acquire.commands.options import DB, archive_path, archive_reader

if TYPE_CHECKING:
    from acquire.records import ArchivedPull


@click.command("list")
@DB
@click.option("--subject", help="Only this head.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def list_pulls(db: Path | None, subject: str | None, as_json: bool) -> None:
    """List the pulls in the archive, newest first."""
    from dataclasses import asdict

    with archive_reader(db) as reader:
        rows = reader.pulls(subject=subject)
    if as_json:
        click.echo(json.dumps([asdict(row) for row in rows], indent=2))
        return
    if subject is not None and not rows:
        click.echo(f"No pull of {subject}: see steadydraw list for the heads that are there.")
        return
    from acquire.text import pull_table

    click.echo(pull_table(rows))


@click.command()
@click.argument("pull")
@DB
@click.option("--flow-in", help="Flows in this unit: cfm, l/s, m3/s, kg/s ...")
@click.option("--noise", is_flag=True, help="How restless the flow was at each lift, by frequency.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, SI units.")
def show(pull: str, db: Path | None, flow_in: str | None, noise: bool, as_json: bool) -> None:
    """Show a pull: head, set-up, every point with its interval, marks."""
    from acquire.records import Refused
    from acquire.text import pull_json, pull_text
    from acquire.units import UnitError

    with archive_reader(db) as reader:
        found = reader.pull(pull)
    if noise and not as_json:
        from acquire.flow.noise_text import noise_text

        click.echo(noise_text(found))
        return
    try:
        click.echo(pull_json(found) if as_json else pull_text(found, flow_in))
    except UnitError as error:
        raise Refused(str(error)) from error


@click.command()
@click.argument("pulls", nargs=-1, required=True)
@DB
@click.option("--samples", is_flag=True, help="The raw samples as received, of every session of the pull.")
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path), help="A file instead of stdout.")
def export(pulls: tuple[str, ...], db: Path | None, samples: bool, output: Path | None) -> None:
    """Write points (or raw samples) as CSV, units in the column names."""
    from acquire.export import write_points_csv, write_samples_csv

    with archive_reader(db) as reader:
        found = [reader.pull(name) for name in pulls]
        opened: Any = click.open_file(str(output) if output else "-", "w", encoding="utf-8")
        with opened as stream:
            if samples:
                sessions = [session.id for pull in found for session in pull.sessions]
                for number, session_id in enumerate(sessions):
                    write_samples_csv(reader, session_id, stream, header=number == 0)
            else:
                write_points_csv(reader, [pull.id for pull in found], stream)
                _say_without_diameter(found)


def _say_without_diameter(pulls: "list[ArchivedPull]") -> None:
    without = [
        str(pull.id)
        for pull in pulls
        if pull.request.kind == "lift" and pull.request.subject.valve_diameter_m(pull.request.direction) is None
    ]
    if without:
        which = ", ".join(without)
        click.echo(f"No valve diameter was given with pull {which}: no lift/diameter, no coefficients.", err=True)


@click.command()
@click.argument("session")
@DB
@click.option("--speed", type=click.FloatRange(min=0.01), help="Wait as the session waited, times this.")
@click.option("--as-fast-as-possible", is_flag=True, help="Do not wait at all (the default without --speed).")
@click.option("--config", "config_path", type=click.Path(path_type=Path), help="Recompute under other settings.")
@click.option(
    "--calibration",
    "chosen",
    multiple=True,
    metavar="CHANNEL=ID",
    help="Recompute with another calibration (see calibrate --list), or with CHANNEL=none; shows what changes.",
)
@click.option("--watch", is_flag=True, help="In the dashboard.")
def replay(
    session: str,
    db: Path | None,
    speed: float | None,
    as_fast_as_possible: bool,
    config_path: Path | None,
    chosen: tuple[str, ...],
    watch: bool,
) -> int:
    """Replay a SESSION (number, or pull:ID for all of a pull's). Exit code 1 on any difference."""
    if speed is not None and as_fast_as_possible:
        raise click.UsageError("Give --speed or --as-fast-as-possible, not both.")
    from acquire.sessions.replaying import replay_command

    return replay_command(archive_path(db), session, speed, config_path, watch, click.echo, chosen)


@click.command()
@click.argument("pulls", nargs=-1, required=True)
@DB
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False, path_type=Path), help=".pdf or .png")
@click.option("--paper", type=click.Choice(["a4", "us-letter"]), default="a4", show_default=True)
def sheet(pulls: tuple[str, ...], db: Path | None, output: Path, paper: Any) -> None:
    """Typeset the flow sheet of one head: an intake and an exhaust pull, or one of them."""
    from acquire.sheet import write_sheet

    with archive_reader(db) as reader:
        found = [reader.pull(name) for name in pulls]
    write_sheet(found, output, paper=paper)
    click.echo(f"{output} written.", err=True)
