"""The dashboard for a tablet's browser."""

import click

from acquire.commands.options import BENCH


@click.command()
@BENCH
@click.option("--host", default="127.0.0.1", show_default=True, help="This machine's address in your own network.")
@click.option(
    "--port", default=8028, show_default=True, type=click.IntRange(0, 65535), help="TCP port; 0 takes a free one."
)
@click.option("--name", "names", multiple=True, help="A further name that this machine is reached by.")
@click.option("--screen", default="tablet", show_default=True, help="What these screens are called on the others.")
def tablet(bench: str | None, host: str, port: int, names: tuple[str, ...], screen: str) -> int:
    """Show the dashboard in a tablet's browser, to who has the printed link."""
    from acquire.records import Refused

    try:
        from acquire.tablet import run_tablet
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] not in ("aiohttp", "aiohttp_jinja2", "jinja2", "textual_serve"):
            raise
        raise Refused("the tablet's server is not installed: pip install 'steadydraw[tablet]'") from error
    return run_tablet(bench, host, port, names, screen, click.echo)
