"""Commands that compare heads: two or more with one another, one with its siblings."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acquire.commands.options import DB, JSON, archive_reader

if TYPE_CHECKING:
    from acquire.comparison.compare import Asked
    from acquire.comparison.event import Engine
    from acquire.config import BenchConfig

DIRECTION = click.option("--direction", type=click.Choice(["intake", "exhaust"]), help="Which port of the heads.")


@click.command()
@click.argument("heads", nargs=-1, required=True)
@DB
@DIRECTION
@click.option("--factor", default="", help='The attribute under question, such as "plug position".')
@click.option(
    "--override", multiple=True, help="A difference that shall not stop the verdict, by name; also hold, zero."
)
@click.option("--cam", "cam_file", type=click.Path(path_type=Path), help="Valve lift over crank angle, as CSV.")
@click.option("--duration", nargs=2, type=float, help="Crank degrees at the seat and at 0.050 in, for a smooth cam.")
@click.option("--lobe-lift", default="", help='With --duration, such as "0.340 in".')
@click.option(
    "--rocker", default=1.0, show_default=True, type=click.FloatRange(0.5, 3.0), help="Rocker ratio, with --duration."
)
@click.option("--bore", default="", help="For the inlet Mach index, with --stroke.")
@click.option("--stroke", default="", help="For the inlet Mach index, with --bore.")
@click.option(
    "--valves", default=1, show_default=True, type=click.IntRange(min=1), help="Valves that the flow passed at once."
)
@click.option("--rpm", type=click.FloatRange(min=0.0, min_open=True), help="Engine speed for the index.")
@JSON
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path), help="Also a page: .pdf or .png.")
def compare(
    heads: tuple[str, ...],
    db: Path | None,
    as_json: bool,
    override: tuple[str, ...],
    output: Path | None,
    **options: Any,
) -> int:
    """Is the difference between HEADS real? Each is a head's identifier, or pulls such as 12,15.

    Pulls of one mount go between slashes: 12,13/15,16 are two mounts. The
    first is compared with each of the others. Exit code 1 when no verdict
    could be given.
    """
    from dataclasses import replace

    from acquire.comparison.choosing import choose, mounts_of
    from acquire.comparison.compare import compare as compare_heads
    from acquire.comparison.stored import stored_repeats
    from acquire.comparison.wording import comparison_json, comparison_text
    from acquire.records import Refused

    if len(heads) < 2:
        raise click.UsageError("Name two heads at least.")
    if output is not None and len(heads) > 2:
        raise click.UsageError("A page compares two heads: name two with -o.")
    with archive_reader(db) as reader:
        sides = [choose(reader, word, options["direction"]) for word in heads]
        asked = _asked(sides[0][-1].config, options, override, len(heads) - 1)
        asked = replace(asked, mounts=mounts_of(heads, (pull for side in sides for pull in side)))
        try:
            repeats = stored_repeats(reader, sides[0][-1])
            found = [compare_heads(sides[0], other, repeats, asked) for other in sides[1:]]
        except ValueError as error:
            raise Refused(str(error)) from error
    if as_json:
        click.echo("[" + ",\n".join(comparison_json(its) for its in found) + "]")
    else:
        click.echo("\n\n".join(comparison_text(its) for its in found))
    if output is not None:
        from acquire.sheet.comparison_page import write_comparison_page

        write_comparison_page(found[0], output)
        click.echo(f"{output} written.", err=True)
    return 0 if all(its.verdict is not None for its in found) else 1


def _asked(config: "BenchConfig", options: dict[str, Any], override: tuple[str, ...], others: int) -> "Asked":
    from acquire.comparison.cam import cam_from_card, cam_from_csv
    from acquire.comparison.compare import Asked
    from acquire.config import text_of
    from acquire.records import Refused
    from acquire.units import UnitError, parse_quantity

    cam = None
    try:
        if options["cam_file"] is not None:
            cam = cam_from_csv(text_of(options["cam_file"]))
        elif options["duration"]:
            if not options["lobe_lift"]:
                raise click.UsageError('--duration needs --lobe-lift, such as "0.340 in".')
            seat_deg, card_deg = options["duration"]
            lobe_lift_m = parse_quantity(options["lobe_lift"], "length")
            cam = cam_from_card(seat_deg, card_deg, lobe_lift_m, options["rocker"])
    except (UnitError, ValueError) as error:
        raise Refused(f"{options['cam_file'] or 'the cam'}: {error}") from error
    return Asked(
        factor=options["factor"],
        override=override,
        margin_rel=config.comparison.margin,
        cam=cam,
        engine=_engine(options),
        others=others,
    )


def _engine(options: dict[str, Any]) -> "Engine | None":
    from acquire.comparison.event import Engine
    from acquire.records import Refused
    from acquire.units import UnitError, parse_quantity

    if not options["bore"] and not options["stroke"]:
        return None
    if not (options["bore"] and options["stroke"]):
        raise click.UsageError('--bore and --stroke go together, such as --bore "4.00 in" --stroke "3.48 in".')
    try:
        bore_m, stroke_m = (parse_quantity(options[name], "length") for name in ("bore", "stroke"))
    except UnitError as error:
        raise Refused(f"--bore or --stroke: {error}") from error
    return Engine(bore_m, stroke_m, options["valves"], options["rpm"])


@click.command()
@click.argument("head")
@DB
@DIRECTION
@JSON
def siblings(head: str, db: Path | None, direction: Any, as_json: bool) -> int:
    """Does HEAD lie where the other heads of its model lie? Exit code 1 when it falls out."""
    import json
    from dataclasses import asdict

    from acquire.comparison.choosing import choose
    from acquire.comparison.siblings import among_siblings
    from acquire.comparison.wording import siblings_text
    from acquire.records import Refused

    with archive_reader(db) as reader:
        newest = choose(reader, head, direction)[-1]
        curves = reader.curves(newest.request.direction, newest.request.subject.model)
    try:
        found = among_siblings(newest.request.subject.identifier, curves)
    except ValueError as error:
        raise Refused(str(error)) from error
    click.echo(json.dumps(asdict(found), indent=2) if as_json else siblings_text(found, newest.config))
    return 1 if any(at.falls_out for at in found.at) else 0
