"""What a pull says of the bench it was made on: when that was last checked, and whether it was ready."""

from acquire.age import age_s, age_said, duration_said
from acquire.records import ArchivedPull


def ready_said(pull: ArchivedPull) -> str:
    """When the bench was last checked before this pull, and the verdict."""
    last = pull.basis.ready
    if last is None:
        return "not checked before this pull"
    when = f"{last.made_utc[:16].replace('T', ' ')} UTC, {age_said(last.made_utc, pull.started_utc)}"
    limit_s = pull.config.ready.age_limit_s
    if last.ready and age_s(last.made_utc, pull.started_utc) > limit_s:
        return f"ready {when}: too long ago, the limit is {duration_said(limit_s)}"
    if last.ready:
        return f"ready {when}"
    return f"NOT READY when checked {when}: {', '.join(last.against)}"
