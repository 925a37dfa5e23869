"""What a pull says of its calibrations: which, of what date, until when; and the mark of one that was overdue."""

from collections.abc import Mapping

from acquire.calibration.record import Calibration
from acquire.records import ArchivedPull
from acquire.values import Mark

KIND = "calibration"
"""Of the marks about it."""


def overdue(calibrations: Mapping[str, Calibration], utc: str) -> tuple[str, ...]:
    """The channels whose calibration was due before ``utc`` (ISO 8601)."""
    return tuple(sorted(channel for channel, its in calibrations.items() if its.expired(utc)))


def marks_of(calibrations: Mapping[str, Calibration], channels: tuple[str, ...]) -> list[Mark]:
    """One mark for each channel that was overdue when the pull was begun."""
    return [
        Mark(
            KIND,
            f"Calibration expired: that of the {said(channel)} was due {calibrations[channel].due_utc[:10]}. "
            f"Calibrate it again (steadydraw calibrate {channel}), then repeat the pull.",
        )
        for channel in channels
        if channel in calibrations
    ]


def calibrations_said(pull: ArchivedPull) -> list[str]:
    """One line a calibrated channel: ``"test pressure 2026-11-25, certificate W-1, due 2027-11-25"``; EXPIRED first."""
    found = []
    for channel, its in sorted(pull.basis.calibrations.items()):
        certificate = f", certificate {its.certificate}" if its.certificate else ""
        due = f", due {its.due_utc[:10]}" if its.due_utc else ""
        late = "EXPIRED: " if channel in pull.basis.overdue else ""
        found.append(f"{late}{said(channel)} {its.made_utc[:10]}{certificate}{due}")
    return found


def said(channel: str) -> str:
    """A channel in words."""
    return channel.replace("_", " ")
