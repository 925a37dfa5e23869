"""The command line: stdout is data, stderr is narration, what goes wrong is one sentence."""

import errno
import os
import sys

import click

from acquire import __version__
from acquire.commands import (
    air,
    archived,
    backup,
    budget,
    calibrate,
    calibrate_range,
    compare,
    convert,
    doctor,
    packed,
    port,
    ready,
    recompute,
    repeat,
    running,
    steady,
    tablet,
    wire,
)

# the matrices here are small: threads cost more than they bring, and one thread sums in one order
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@click.group(context_settings={"help_option_names": ["-h", "--help"]}, invoke_without_command=True)
@click.version_option(__version__, prog_name="steadydraw")
@click.pass_context
def cli(context: click.Context) -> int | None:
    """Settled readings, proof that the test pressure held, and an honest flow sheet.

    Ears, eyes and hands first: wear hearing and eye protection, keep clear of
    suction and blower, and leave mains wiring to licensed people. Local codes
    come before anything that is printed here.

    Without a command, in a terminal: from nothing to a first pull, and later
    straight to the dashboard.
    """
    if context.invoked_subcommand is not None:
        return None
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        click.echo(context.get_help())
        return None
    from acquire.commands.first import begin

    return begin()


def main() -> None:
    """Run a command; what goes wrong is one sentence and an exit code."""
    try:
        code = cli.main(standalone_mode=False)
    except click.exceptions.Abort:
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        sys.exit(130)
    except OSError as error:
        # a folder that is not there, no permission, a full disk: nothing that a traceback would make clearer
        if error.filename is None and error.errno != errno.ENOSPC:
            raise
        what = "" if error.filename is None else f"{error.filename} cannot be used: "
        click.echo(f"steadydraw: {what}{error.strerror}; check path, permissions and room on the disk", err=True)
        sys.exit(2)
    except Exception as error:
        if not isinstance(error, _spoken_errors()):
            raise
        click.echo(f"steadydraw: {error}", err=True)
        sys.exit(2)
    sys.exit(code if isinstance(code, int) else 0)


def _spoken_errors() -> tuple[type[Exception], ...]:
    """Errors whose message is already a sentence for the operator."""
    from acquire.client import ClientError
    from acquire.config import ConfigError
    from acquire.daemon.single import AlreadyRunning
    from acquire.publishing.broker import BrokerError
    from acquire.records import Refused
    from acquire.sheet import SheetError
    from acquire.store.errors import ArchiveError
    from drivers.errors import DriverError

    return (AlreadyRunning, ArchiveError, BrokerError, ClientError, ConfigError, DriverError, Refused, SheetError)


for command in (
    running.serve,
    running.status,
    running.api,
    running.dashboard,
    tablet.tablet,
    running.pull,
    running.demo,
    archived.list_pulls,
    archived.show,
    archived.export,
    steady.steady,
    archived.replay,
    recompute.recompute,
    archived.sheet,
    packed.pack,
    packed.unpack,
    backup.backup,
    backup.restore,
    backup.rescue,
    budget.budget,
    repeat.repeat,
    port.port,
    compare.compare,
    compare.siblings,
    ready.ready,
    air.air,
    calibrate.calibrate,
    calibrate_range.calibrate_range,
    convert.convert,
    wire.wire,
    doctor.doctor,
):
    cli.add_command(command)
