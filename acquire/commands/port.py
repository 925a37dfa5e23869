"""The command for what a pull says of its port."""

from pathlib import Path

import click

from acquire.commands.options import DB, JSON, archive_reader


@click.command()
@click.argument("pulls", nargs=-1, required=True)
@DB
@JSON
def port(pulls: tuple[str, ...], db: Path | None, as_json: bool) -> None:
    """Show the port's figures: lift over diameter, coefficients, velocity.

    One pull, or an intake and an exhaust pull of one head: then also exhaust
    over intake at every common lift.
    """
    if len(pulls) > 2:
        raise click.UsageError("Name one pull, or an intake and an exhaust pull of one head.")
    from acquire.port.text import port_json, port_text
    from acquire.records import Refused

    with archive_reader(db) as reader:
        found = [reader.pull(name) for name in pulls]
    try:
        click.echo(port_json(found) if as_json else port_text(found))
    except ValueError as error:
        raise Refused(str(error)) from error
