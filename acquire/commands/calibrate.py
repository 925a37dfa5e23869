"""The command that calibrates an instrument against a reference, and shows its history."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acquire.commands.options import BENCH, DB, JSON

if TYPE_CHECKING:
    from acquire.calibration.bench import Bench
    from acquire.calibration.making import Asked, Taken, Target


@click.command()
@click.argument("channel", required=False)
@DB
@BENCH
@click.option(
    "--config", "config_path", type=click.Path(path_type=Path), help="The bench's TOML file; else as it runs."
)
@click.option("--points", "points_path", type=click.Path(path_type=Path), help="CSV (reference, reading) or TOML.")
@click.option("--unit", help="Unit of the references; by default the channel's.")
@click.option(
    "--readings",
    type=click.Choice(["sent", "shown"]),
    default="sent",
    show_default=True,
    help="Readings are numbers as the instrument sends them, or as shown here, in the channel's unit.",
)
@click.option("--fit", type=click.Choice(["line", "quadratic"]), help="line unless the file says otherwise.")
@click.option("--standard", help="What it is held against: a water column, a dead-weight tester, gauge blocks.")
@click.option("--standard-uncertainty", help='Its 95 % figure: "0.01 inH2O", "0.02 %" (of reading), or a sum.')
@click.option("--certificate", help="Number of the reference's certificate.")
@click.option("--due", help="Until when it holds, such as 2027-11-25 (UTC).")
@click.option("--by", "made_by", help="Who calibrated.")
@click.option("--remarks", help="Whatever else must be known.")
@click.option("--as-found-only", is_flag=True, help="Only look how far it is off: changes nothing, kept as a check.")
@click.option("--dry-run", is_flag=True, help="Show everything, keep nothing.")
@click.option("--yes", is_flag=True, help="Keep it without asking.")
@click.option("--list", "listing", is_flag=True, help="Every calibration and check, with the drift in between.")
@JSON
def calibrate(
    channel: str | None,
    db: Path | None,
    bench: str | None,
    config_path: Path | None,
    listing: bool,
    as_json: bool,
    **options: Any,
) -> int:
    """Calibrate a CHANNEL (test_pressure, lift, ...) against a reference: up, then down.

    A pressure from a tester can hurt: stay within the instrument's range, and
    take hoses off only without pressure.
    """
    from acquire.calibration.bench import find_bench

    if listing:
        return _list(channel, db, bench, as_json)
    if channel is None:
        raise click.UsageError("Name the channel to be calibrated, or use --list.")
    found = find_bench(config_path, bench, db)
    return _calibrate(found, found.target(channel), as_json, options)


def _calibrate(bench: "Bench", target: "Target", as_json: bool, options: dict[str, Any]) -> int:
    from acquire.calibration import making
    from acquire.calibration.record import Calibration, Referenced
    from acquire.calibration.text import made_json, made_text
    from acquire.clock import SystemClock
    from acquire.keeping import keep

    now = SystemClock().utc()
    asked, taken = _asked(bench, target, options, now)
    made: Referenced
    if options["as_found_only"]:
        made, warned = making.make_check(target, taken, asked, now.isoformat()), []
    else:
        made = making.make_calibration(target, taken, asked, now.isoformat())
        warned = making.warnings(target, made)
    click.echo(made_text(target, made, warned), err=as_json)
    number = None
    what = "check" if not isinstance(made, Calibration) else "calibration"
    keeping = not options["dry_run"] and (options["yes"] or click.confirm(f"Keep this {what}?", err=True))
    if keeping:
        number = keep(bench.archive, made)
        tail = "nothing changes" if what == "check" else "every pull begun from now on is taken with it"
        click.echo(f"Kept as {what} {number}: {tail}.", err=True)
    else:
        click.echo("Nothing was kept.", err=True)
    if as_json:
        click.echo(json.dumps(made_json(target, made, number, warned), indent=2))
    return 0 if keeping or options["dry_run"] else 1


def _asked(bench: "Bench", target: "Target", options: dict[str, Any], now: Any) -> "tuple[Asked, list[Taken]]":
    """Options before file before question."""
    from acquire.calibration.making import Asked, due_text, half_width
    from acquire.calibration.points import PointsFile, read_points
    from acquire.records import Refused

    path = options["points_path"]
    file = read_points(path) if path is not None else None
    given = file or PointsFile.model_construct(points=())

    def said(option: str, key: str = "") -> str:
        return str(options[option] or getattr(given, key or option) or "")

    standard, uncertainty = said("standard"), said("standard_uncertainty")
    if path is None:
        standard = standard or click.prompt("Reference (what it is held against)", err=True)
        uncertainty = uncertainty or click.prompt("Its 95 % uncertainty", err=True)
    if not uncertainty:
        raise Refused(
            "The reference's uncertainty is not given: add --standard-uncertainty (or standard_uncertainty to the "
            'file), such as "0.01 inH2O" or "0.02 %".'
        )
    own, percent = half_width(target, uncertainty)
    fit = said("fit") or "line"
    if fit not in ("line", "quadratic"):
        raise Refused(f"fit = {fit!r} is not known: use line or quadratic.")
    due = said("due")
    asked = Asked(
        standard=standard,
        uncertainty=own,
        percent=percent,
        certificate=said("certificate"),
        fit="quadratic" if fit == "quadratic" else "line",
        due_utc=due_text(due, now) if due else "",
        made_by=said("made_by", "by"),
        remarks=said("remarks"),
    )
    unit, shown = said("unit"), options["readings"] == "shown"
    taken = _typed(bench, target, unit, shown) if file is None else _filed(target, file.points, unit, shown)
    return asked, taken


def _filed(target: "Target", points: Any, unit: str, shown: bool) -> "list[Taken]":
    from acquire.calibration.making import Taken, in_channels_unit

    return [
        Taken(in_channels_unit(target, str(reference), unit), _number(target, str(reading), shown))
        for reference, reading in points
    ]


def _typed(bench: "Bench", target: "Target", unit: str, shown: bool) -> "list[Taken]":
    """Ask for pairs until an empty reference; a reading may be taken live."""
    from acquire.calibration.live import take_live
    from acquire.calibration.making import Taken, in_channels_unit
    from acquire.clock import SystemClock
    from acquire.records import Refused
    from acquire.scaling import line_of

    live = bench.client is not None
    click.echo(f"References up to the highest, then down, in {unit or target.settings.unit}; Enter ends.", err=True)
    how = "  reading" + (" (Enter takes it live)" if live else "")
    digit = abs(target.settings.resolution / line_of(target.settings).scale)
    taken: list[Taken] = []
    while True:
        text = click.prompt(f"{len(taken) + 1}. reference", default="", show_default=False, err=True)
        if not text.strip():
            return taken
        try:
            reference = in_channels_unit(target, text, unit)
            reading = click.prompt(how, default="" if live else None, show_default=False, err=True)
            if reading.strip() or bench.client is None:
                taken.append(Taken(reference, _number(target, reading, shown)))
                continue
            unrolled = target.settings.unrolled
            its = take_live(bench.client.frame, SystemClock().sleep, target.channel, reference, digit, unrolled)
            click.echo(f"  {its.number:.7g} (mean of {its.n}, sd {its.scatter:.2g})", err=True)
            taken.append(its)
        except Refused as refused:
            click.echo(f"  {refused}", err=True)


def _number(target: "Target", text: str, shown: bool) -> float:
    """The number as received for a reading: itself, or turned back from what is shown."""
    from acquire.calibration.making import in_channels_unit
    from acquire.records import Refused
    from acquire.scaling import number_of

    if shown:
        return number_of(target.in_force, in_channels_unit(target, text))
    try:
        return target.settings.unrolled(float(text))
    except ValueError as error:
        raise Refused(
            f"The reading {text!r} is not a number as the instrument sends it: "
            "leave its unit out, or use --readings shown."
        ) from error


def _list(channel: str | None, db: Path | None, bench: str | None, as_json: bool) -> int:
    from acquire.calibration.bench import archive_of, history
    from acquire.calibration.text import drift_of, history_text
    from acquire.clock import SystemClock

    records = history(archive_of(db, bench), channel)
    if as_json:
        drifts = drift_of(records)
        rows = [
            {"id": its.id, "drift": drifts[its.id], "record": its.record.model_dump(mode="json")} for its in records
        ]
        click.echo(json.dumps(rows, indent=2))
    else:
        click.echo(history_text(records, SystemClock().utc().isoformat()))
    return 0
