"""The command that shows where a flow's interval comes from."""

from pathlib import Path

import click

from acquire.commands.options import DB, JSON, archive_reader


@click.command()
@click.argument("pull")
@DB
@click.option("--lift", help='Only this step, such as "0.3 in"; a bare number is in the display\'s unit.')
@click.option("--step", type=click.IntRange(min=1), help="Only this step, by number.")
@click.option("--all", "every", is_flag=True, help="Every component, however small.")
@click.option("--confirm", "confirming", is_flag=True, help="Also by Monte Carlo (about a second a step).")
@click.option(
    "--draws", default=50_000, show_default=True, type=click.IntRange(1000, 2_000_000), help="With --confirm."
)
@click.option("--digits", default=1, show_default=True, type=click.IntRange(1, 2), help="Of u, for --confirm.")
@JSON
def budget(
    pull: str,
    db: Path | None,
    lift: str | None,
    step: int | None,
    every: bool,
    confirming: bool,
    draws: int,
    digits: int,
    as_json: bool,
) -> None:
    """Where the ± of a PULL comes from, and what to improve first."""
    from acquire.budget.rebuild import confirmed
    from acquire.budget.text import Shown, budget_json, budget_text
    from acquire.choosing import chosen_points

    if lift is not None and step is not None:
        raise click.UsageError("Give --lift or --step, not both.")
    with archive_reader(db) as reader:
        found = reader.pull(pull)
    points = chosen_points(found, lift, step)
    shown = [Shown(point, confirmed(found, point, draws, digits) if confirming else None) for point in points]
    click.echo(budget_json(found, shown) if as_json else budget_text(found, shown, every))
