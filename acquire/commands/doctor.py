"""The command that checks the installation."""

from pathlib import Path

import click

from acquire.commands.options import DB, JSON, archive_path


@click.command()
@click.option("--config", "config_path", type=click.Path(path_type=Path), help="The bench's TOML file, and its ports.")
@DB
@JSON
def doctor(config_path: Path | None, db: Path | None, as_json: bool) -> int:
    """Check the installation: a verdict a line, and a cure. Exit code 1 when something is wrong.

    The configuration's ports are opened for a moment, unless they are in use.
    """
    import json

    from acquire.clock import SystemClock
    from acquire.doctor.checks import check_all
    from acquire.doctor.computer import Computer
    from acquire.doctor.gather import gather
    from acquire.doctor.text import check_json, check_text

    lines = check_all(gather(Computer(), SystemClock(), config_path, archive_path(db)))
    click.echo(json.dumps(check_json(lines), indent=2) if as_json else check_text(lines))
    return 1 if any(line.verdict == "wrong" for line in lines) else 0
