"""The commands. Each imports only what it needs; stdout is data, stderr is narration."""

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acquire import __version__

if TYPE_CHECKING:
    from acquire.records import ArchivedPull
    from acquire.store.reader import ArchiveReader

# the matrices here are small: threads cost more than they bring, and one thread sums in one order
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_DB = click.option(
    "--db", type=click.Path(dir_okay=False, path_type=Path), help="The archive; by default the one in your data folder."
)
_BENCH = click.option("--bench", help="Name of the bench, when several daemons run.")


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="steadydraw")
def cli() -> None:
    """Settled readings, proof that the test pressure held, and an honest flow sheet.

    Ears, eyes and hands first: wear hearing and eye protection, keep clear of
    suction and blower, and leave mains wiring to licensed people. Local codes
    come before anything that is printed here.
    """


def main() -> None:
    """Run a command; what goes wrong is one sentence and an exit code."""
    try:
        code = cli.main(standalone_mode=False)
    except click.exceptions.Abort:
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        sys.exit(130)
    except Exception as error:
        if not isinstance(error, _spoken_errors()):
            raise
        click.echo(f"steadydraw: {error}", err=True)
        sys.exit(2)
    sys.exit(code if isinstance(code, int) else 0)


def _spoken_errors() -> tuple[type[Exception], ...]:
    """Errors whose message is already a sentence for the operator."""
    from acquire.client import ClientError
    from acquire.config import ConfigError
    from acquire.records import Refused
    from acquire.sheet import SheetError
    from acquire.single import AlreadyRunning
    from acquire.store.errors import ArchiveError
    from drivers.errors import DriverError

    return (AlreadyRunning, ArchiveError, ClientError, ConfigError, DriverError, Refused, SheetError)


def _archive(db: Path | None) -> Path:
    from acquire.where import data_folder

    return db if db is not None else data_folder() / "archive.db"


def _reader(db: Path | None) -> "ArchiveReader":
    from acquire.store.reader import ArchiveReader

    return ArchiveReader(_archive(db))


# ---------------------------------------------------------------- running a bench


@cli.command()
@click.option("--config", "config_path", required=True, type=click.Path(path_type=Path), help="The bench's TOML file.")
@_DB
@click.option("--port", default=0, show_default=True, help="TCP port on loopback; 0 takes a free one.")
@click.option("--clock-speed", default=1.0, show_default=True, help="For a simulated bench that runs faster than life.")
def serve(config_path: Path, db: Path | None, port: int, clock_speed: float) -> None:
    """Run the daemon: own the ports, judge, log, answer clients."""
    from acquire.serve import serve_bench

    serve_bench(config_path, _archive(db), port, clock_speed, lambda line: click.echo(line, err=True))


@cli.command()
@_BENCH
def dashboard(bench: str | None) -> int:
    """Open the dashboard on the running daemon."""
    from acquire.client import Client
    from acquire.ui.app import run_dashboard

    return run_dashboard(Client.find(bench))


@cli.command()
@click.argument("plan", type=click.Path(path_type=Path))
@_BENCH
def pull(plan: Path, bench: str | None) -> int:
    """Begin the pull that a PLAN file describes and follow it to its end."""
    from acquire.client import Client
    from acquire.follow import follow, read_plan

    client = Client.find(bench)
    pull_id = client.begin(read_plan(plan))
    return 0 if follow(client, pull_id, click.echo) else 1


@cli.command()
@click.option("--hands-off", is_flag=True, help="No terminal needed: two pulls run by themselves, results go to --out.")
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="Folder for the results.")
@click.option("--seed", default=1, show_default=True, help="Another seed is another head on another bench.")
@click.option("--speed", type=float, help="How much faster than life; 12 hands-off, 1 otherwise.")
@click.option("--endpoints", type=click.Choice(["pty", "tcp"]), help="How the simulated instruments are connected.")
def demo(hands_off: bool, out: Path | None, seed: int, speed: float | None, endpoints: str | None) -> int:
    """Run a simulated bench, the daemon on its ports, and the dashboard."""
    from acquire.demo import run_demo

    if hands_off and out is None:
        raise click.UsageError("--hands-off needs --out DIR for its results.")
    return run_demo(hands_off, out, seed, speed or (12.0 if hands_off else 1.0), endpoints, click.echo)


# ---------------------------------------------------------------- the archive


@cli.command("list")
@_DB
@click.option("--subject", help="Only this head.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def list_pulls(db: Path | None, subject: str | None, as_json: bool) -> None:
    """List the pulls in the archive, newest first."""
    from dataclasses import asdict

    with _reader(db) as reader:
        rows = reader.pulls(subject=subject)
    if as_json:
        click.echo(json.dumps([asdict(row) for row in rows], indent=2))
        return
    from acquire.text import pull_table

    click.echo(pull_table(rows))


@cli.command()
@click.argument("pull")
@_DB
@click.option("--json", "as_json", is_flag=True, help="As JSON, SI units.")
def show(pull: str, db: Path | None, as_json: bool) -> None:
    """Show a pull: head, set-up, every point with its interval, marks."""
    from acquire.text import pull_json, pull_text

    with _reader(db) as reader:
        found = reader.pull(pull)
    click.echo(pull_json(found) if as_json else pull_text(found))


@cli.command()
@click.argument("pulls", nargs=-1, required=True)
@_DB
@click.option("--samples", is_flag=True, help="The raw samples as received, of every session of the pull.")
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path), help="A file instead of stdout.")
def export(pulls: tuple[str, ...], db: Path | None, samples: bool, output: Path | None) -> None:
    """Write points (or raw samples) as CSV, units in the column names."""
    from acquire.export import write_points_csv, write_samples_csv

    with _reader(db) as reader:
        found = [reader.pull(name) for name in pulls]
        opened: Any = click.open_file(str(output) if output else "-", "w", encoding="utf-8")
        with opened as stream:
            if samples:
                sessions = [session.id for pull in found for session in pull.sessions]
                for number, session_id in enumerate(sessions):
                    write_samples_csv(reader, session_id, stream, header=number == 0)
            else:
                write_points_csv(reader, [pull.id for pull in found], stream)


@cli.command()
@click.argument("pull")
@_DB
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path), help="Also a page: .pdf or .png.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, SI units.")
def steady(pull: str, db: Path | None, output: Path | None, as_json: bool) -> int:
    """Did the test pressure hold? Exit code 1 when it did not."""
    from acquire.steady import pull_hold
    from acquire.text import hold_json, hold_text

    with _reader(db) as reader:
        found = reader.pull(pull)
        held = pull_hold(reader, found)
    click.echo(hold_json(held) if as_json else hold_text(found, held))
    if output is not None:
        _write_steady_page(found, held, output)
    return 0 if held.held else 1


def _write_steady_page(pull: "ArchivedPull", held: Any, output: Path) -> None:
    from acquire.sheet.steady_page import write_steady_page

    write_steady_page(pull, held, output)


@cli.command()
@click.argument("session")
@_DB
@click.option("--speed", type=click.FloatRange(min=0.01), help="Wait as the session waited, times this.")
@click.option("--as-fast-as-possible", is_flag=True, help="Do not wait at all (the default without --speed).")
@click.option("--config", "config_path", type=click.Path(path_type=Path), help="Recompute under other settings.")
@click.option("--watch", is_flag=True, help="In the dashboard.")
def replay(
    session: str, db: Path | None, speed: float | None, as_fast_as_possible: bool, config_path: Path | None, watch: bool
) -> int:
    """Replay a SESSION (number, or pull:ID for all of a pull's). Exit code 1 on any difference."""
    if speed is not None and as_fast_as_possible:
        raise click.UsageError("Give --speed or --as-fast-as-possible, not both.")
    from acquire.replaying import replay_command

    return replay_command(_archive(db), session, speed, config_path, watch, click.echo)


@cli.command()
@click.argument("pulls", nargs=-1, required=True)
@_DB
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False, path_type=Path), help=".pdf or .png")
@click.option("--paper", type=click.Choice(["a4", "us-letter"]), default="a4", show_default=True)
def sheet(pulls: tuple[str, ...], db: Path | None, output: Path, paper: Any) -> None:
    """Typeset the flow sheet of one head: an intake and an exhaust pull, or one of them."""
    from acquire.sheet import write_sheet

    with _reader(db) as reader:
        found = [reader.pull(name) for name in pulls]
    write_sheet(found, output, paper=paper)
    click.echo(f"{output} written.", err=True)
