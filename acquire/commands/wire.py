"""The command that finds instruments and writes the bench's configuration."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.commands.options import JSON
from acquire.commands.terminal import Terminal

if TYPE_CHECKING:
    from acquire.wiring.config_text import Bench, Instrument
    from acquire.wiring.dialog import PortToWire


@click.command()
@click.option("--list", "listing", is_flag=True, help="Only list the ports, with what the USB says; opens none.")
@JSON
@click.option(
    "--port",
    "ports",
    multiple=True,
    help="Look at this port only; also socket://host:port. May be given several times.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("bench.toml"),
    show_default=True,
    help="The configuration to write.",
)
@click.option("--no-ask", is_flag=True, help="Only listen: send nothing to any port.")
def wire(listing: bool, as_json: bool, ports: tuple[str, ...], output: Path, no_ask: bool) -> int:
    """Find the instruments, see what they send, and write the configuration.

    Enter takes what is proposed. Leave the blower off meanwhile.
    """
    if listing:
        return _list(as_json)
    if as_json:
        raise click.UsageError("--json goes with --list.")
    from acquire.clock import SystemClock
    from acquire.wiring.dialog import Wiring

    to_look_at = _ports(ports)
    talk = Terminal(err=True)
    if not to_look_at:
        talk.say("No serial port is there: plug an instrument in, or name one with --port.")
        return 1
    wiring = Wiring(talk, SystemClock(), asks=not no_ask)
    found = wiring.instruments(to_look_at)
    if not found:
        talk.say("\nNo instrument was wired; nothing was written.")
        return 1
    try:
        bench = wiring.bench(found)
        if bench is not None:
            return _write(talk, bench, found, output)
    except click.Abort:
        _keep_entries(found)
        raise
    return _keep_entries(found)


def _list(as_json: bool) -> int:
    import json

    from acquire.wiring.listing import list_ports, listing_json, listing_text
    from acquire.wiring.owners import owners
    from drivers.ports import present_ports

    listed = list_ports(present_ports(), owners())
    click.echo(json.dumps(listing_json(listed), indent=2) if as_json else listing_text(listed))
    return 0


def _ports(named: Sequence[str]) -> "list[PortToWire]":
    from acquire.wiring.dialog import PortToWire
    from acquire.wiring.listing import list_ports, listing_text
    from acquire.wiring.owners import opened_as, owners
    from drivers.link import check_port
    from drivers.ports import present_ports

    owned = owners()
    for port in named:
        check_port(port)
    if named:
        return [PortToWire(p, p, p, owned.get(opened_as(p), ""), chosen=True) for p in named]
    return [
        PortToWire(its.port.device, its.write, listing_text([its]), its.owner, alike=its.alike)
        for its in list_ports(present_ports(), owned)
    ]


def _keep_entries(found: "Sequence[Instrument]") -> int:
    """What was found is not lost: on stdout, to be pasted or redirected."""
    from acquire.wiring.config_text import instruments_text

    click.echo("\nNo file was written. The entries of what was found:\n", err=True)
    click.echo(instruments_text(found))
    return 1


def _write(talk: Terminal, bench: "Bench", found: "Sequence[Instrument]", output: Path) -> int:
    from acquire.config import ConfigError
    from acquire.records import Refused
    from acquire.wiring.config_text import checked
    from acquire.wiring.talk import agreed

    try:
        text, _ = checked(bench, str(output))
    except ConfigError as error:
        talk.say(f"\n{error}")
        return _keep_entries(found)
    while output.exists():
        if agreed(talk, f"\n{output} is there already. Replace it?", proposed=False):
            break
        another = talk.ask("Another file name (empty: do not write)")
        if not another:
            click.echo(text)
            return 1
        output = Path(another)
    try:
        output.write_text(text, encoding="utf-8")
    except OSError as error:
        click.echo(text)
        raise Refused(f"{output} cannot be written ({error.strerror}): the text is above, keep it elsewhere") from error
    talk.say(f"\nWritten: {output}. Look it over, then:\n  steadydraw doctor --config {output}")
    talk.say(f"  steadydraw serve --config {output}")
    return 0
