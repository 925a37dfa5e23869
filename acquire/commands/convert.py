"""The command that converts a pull's flows to another test pressure."""

import json
from pathlib import Path

import click

from acquire.commands.options import DB, JSON, archive_reader


@click.command()
@click.argument("pull")
@click.option("--to", "wanted", required=True, help='The other test pressure, "25 inH2O".')
@DB
@JSON
def convert(pull: str, wanted: str, db: Path | None, as_json: bool) -> None:
    """Convert a pull's flows to another test pressure: converted, not measured."""
    from acquire.flow.converted import convert_pull, converted_json, converted_text
    from acquire.records import Refused
    from acquire.units import parse_quantity

    with archive_reader(db) as reader:
        found = reader.pull(pull)
    try:
        points = convert_pull(found, parse_quantity(wanted, "pressure", found.config.water))
    except ValueError as error:
        raise Refused(str(error)) from error
    click.echo(json.dumps(converted_json(found, points), indent=2) if as_json else converted_text(found, points))
