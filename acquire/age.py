"""How long ago something was, in words."""

from datetime import datetime, timedelta

_STEPS = ((2 * 86400.0, 86400.0, "d"), (2 * 3600.0, 3600.0, "h"), (0.0, 60.0, "min"))


def age_s(then_utc: str, now_utc: str) -> float:
    """Seconds between two ISO 8601 times; below zero where ``then`` is later."""
    between: timedelta = datetime.fromisoformat(now_utc) - datetime.fromisoformat(then_utc)
    return between.total_seconds()


def duration_said(seconds: float) -> str:
    """A duration in the unit that suits it: ``"12 d"``, ``"5 h"``, ``"3 min"``."""
    size = max(seconds, 0.0)
    one, unit = next((one, unit) for least, one, unit in _STEPS if size >= least)
    return f"{int(size // one)} {unit}"


def age_said(then_utc: str, now_utc: str) -> str:
    """The age of something: ``"12 d old"``."""
    return f"{duration_said(age_s(then_utc, now_utc))} old"
