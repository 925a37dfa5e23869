"""The command that calibrates a range of the meter."""

from pathlib import Path

import click


@click.command("calibrate-range")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
def calibrate_range(file: Path) -> None:
    """Calibrate a range of the meter against a critical nozzle or another known flow.

    FILE holds the points: pressure across the range, the air there, and the
    reference. The lines for your configuration are printed; nothing is
    changed.
    """
    from acquire.calibration.meter_range import calibrated
    from acquire.calibration.meter_range_text import calibration_text, read_calibration
    from acquire.records import Refused

    its = read_calibration(file)
    try:
        click.echo(calibration_text(its, calibrated(its)))
    except ValueError as error:
        raise Refused(f"{file}: {error}") from error
