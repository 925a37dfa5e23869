"""Commands that run a bench: the daemon, the dashboard, a pull, the demonstration."""

from pathlib import Path
from typing import Any

import click

from acquire.commands.options import BENCH, DB, JSON, archive_path


@click.command()
@click.option("--config", "config_path", required=True, type=click.Path(path_type=Path), help="The bench's TOML file.")
@DB
@click.option("--port", type=click.IntRange(0, 65535), help="TCP port; 0, the default, takes a free one.")
@click.option("--host", help="Address to listen on; 127.0.0.1 by default.")
@click.option("--beyond-this-machine", is_flag=True, help="Answer other machines, unencrypted: trusted networks only.")
@click.option("--name", "names", multiple=True, help="What other machines call this one, e.g. bench.local.")
@click.option("--log-file", type=click.Path(dir_okay=False, path_type=Path), help="By default in your log folder.")
@click.option(
    "--clock-speed",
    default=1.0,
    show_default=True,
    type=click.FloatRange(min=0.1),
    help="For a simulated bench that runs faster than life.",
)
def serve(
    config_path: Path,
    db: Path | None,
    port: int | None,
    host: str | None,
    beyond_this_machine: bool,
    names: tuple[str, ...],
    log_file: Path | None,
    clock_speed: float,
) -> None:
    """Run the daemon: own the ports, judge, log, answer clients."""
    from acquire.daemon.serve import Serving, serve_bench

    asked = Serving(host, port, beyond_this_machine, names, log_file, clock_speed)
    serve_bench(config_path, archive_path(db), asked)


@click.command()
@BENCH
@JSON
def status(bench: str | None, as_json: bool) -> int:
    """How the daemon and its bench are doing; exit code 1 when it does not run, or not well."""
    from acquire.status_text import status_of, status_text

    found = status_of(bench)
    click.echo(found.model_dump_json(indent=1) if as_json else status_text(found))
    return 0 if found.well else 1


@click.command()
def api() -> None:
    """Print the description (OpenAPI) of the daemon's local API; no daemon is needed."""
    from acquire.service.described import as_text, offline_document

    click.echo(as_text(offline_document()), nl=False)


@click.command()
@BENCH
@click.option("--screen", help="What this screen is called on the others; by default the machine and the terminal.")
def dashboard(bench: str | None, screen: str | None) -> int:
    """Open the dashboard on the running daemon; of several, one at a time is in command."""
    from acquire.client import Client, this_screen
    from acquire.sessions.recorded import RecordedBench
    from acquire.ui.app import run_dashboard

    client = Client.find(bench, this_screen(screen or ""))
    return run_dashboard(client, lambda session_id: RecordedBench(client.archive_path(), session_id))


@click.command()
@click.argument("plan", type=click.Path(path_type=Path))
@BENCH
def pull(plan: Path, bench: str | None) -> int:
    """Begin the pull that a PLAN file describes and follow it to its end."""
    from acquire.client import Client
    from acquire.follow import follow, read_plan

    request = read_plan(plan)
    client = Client.find(bench)
    pull_id = client.begin(request)
    return 0 if follow(client, pull_id, click.echo) else 1


@click.command()
@click.option("--hands-off", is_flag=True, help="No terminal needed: two pulls run by themselves, results go to --out.")
@click.option("--two-heads", is_flag=True, help="Two heads, three mounts each, compared; results go to --out.")
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="Folder for the results.")
@click.option("--seed", default=1, show_default=True, help="Another seed is another head on another bench.")
@click.option("--speed", type=click.FloatRange(min=0.1), help="How much faster than life; 12 hands-off, 1 otherwise.")
@click.option("--endpoints", type=click.Choice(["pty", "tcp"]), help="How the simulated instruments are connected.")
def demo(
    hands_off: bool, two_heads: bool, out: Path | None, seed: int, speed: float | None, endpoints: str | None
) -> int:
    """Run a simulated bench, the daemon on its ports, and the dashboard."""
    from acquire.demo.run import run_demo

    if hands_off and two_heads:
        raise click.UsageError("Give --hands-off or --two-heads, not both.")
    by_itself = hands_off or two_heads
    if by_itself and out is None:
        raise click.UsageError("--hands-off and --two-heads need --out DIR for their results.")
    story: Any = "hands off" if hands_off else "two heads" if two_heads else "dashboard"
    return run_demo(story, out, seed, speed or (12.0 if by_itself else 1.0), endpoints, click.echo)
