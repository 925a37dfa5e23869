"""The command that keeps the room's air as read from the wall, with its date."""

import json
from pathlib import Path

import click

from acquire.commands.options import DB, JSON, archive_path, archive_reader


@click.command()
@click.option("--pressure", help='Station pressure, "29.92 inHg": what the air weighs here, not at sea level.')
@click.option("--sea-level", help='What a barometer set to sea level shows, "1015 hPa"; needs --altitude.')
@click.option("--altitude", help='Of the shop, "300 m"; with --pressure it serves as a check.')
@click.option("--temperature", help='"68 F".')
@click.option("--humidity", help='"45 %RH".')
@click.option("--pressure-accuracy", help='95 % figure of the barometer, "1 hPa".')
@click.option("--temperature-accuracy", help='95 % figure of the thermometer, "0.5 K".')
@click.option("--humidity-accuracy", help='95 % figure of the hygrometer, "3 %RH".')
@click.option("--by", default="", help="Who read them.")
@click.option("--show", is_flag=True, help="Show the entries, the newest first, and keep nothing.")
@DB
@JSON
def air(db: Path | None, as_json: bool, show: bool, by: str, **given: str | None) -> None:
    """Enter the room's air, or show what was entered last.

    Used, with its age, by every pull begun from then on for what no
    instrument measures.
    """
    from acquire.clock import SystemClock
    from acquire.keeping import keep
    from acquire.records import Refused
    from acquire.room.entry import RoomEntry, read_entry
    from acquire.room.words import entries_text, entry_lines

    if show or not any(given.values()):
        if show and any(given.values()):
            raise click.UsageError("Give --show, or what is to be kept, not both.")
        with archive_reader(db) as reader:
            kept = reader.bench_records(RoomEntry, limit=10 if show else 1)
        if as_json:
            click.echo(json.dumps([{"id": its.id, **its.record.model_dump(mode="json")} for its in kept], indent=2))
        else:
            click.echo(entries_text(kept, SystemClock().utc()))
        return
    try:
        entry = read_entry(given, SystemClock().utc().isoformat(timespec="seconds"), by)
    except ValueError as error:
        raise Refused(str(error)) from error
    number = keep(archive_path(db), entry)
    if as_json:
        click.echo(json.dumps({"id": number, **entry.model_dump(mode="json")}, indent=2))
    else:
        click.echo("\n".join([f"Kept as record {number}:", *entry_lines(entry), "Pulls begun from now on use it."]))
