"""``steadydraw status``: the daemon's own answer, or why there is none, in a few lines."""

from acquire.client import Client, ClientError
from acquire.config import Table
from acquire.wire import Status


class BenchStatus(Table):
    """What is known of one bench's daemon; ``status`` is None where none answers, and ``sentence`` says why."""

    running: bool
    well: bool
    sentence: str = ""
    status: Status | None = None


def status_of(bench: str | None) -> BenchStatus:
    """How the running daemon, or that of ``bench``, is doing."""
    try:
        found = Client.find(bench).status()
    except ClientError as error:
        return BenchStatus(running=False, well=False, sentence=str(error))
    return BenchStatus(running=True, well=found.well, status=found)


def status_text(found: BenchStatus) -> str:
    """It in a line each, what is wrong first."""
    its = found.status
    if its is None:
        return found.sentence
    lines = [f"{its.bench}: {'running well' if its.well else 'running, not well'} (steadydraw {its.version})"]
    lines += [f"  ! {trouble}" for trouble in its.troubles]
    lines.append(f"  since        {its.since_utc}, process {its.pid}")
    lines.append(f"  pull         {_pull(its)}")
    for each in its.instruments:
        age = "" if each.age_s is None else f", last reading {each.age_s:.1f} s ago"
        lines.append(f"  {each.name:<12} {each.state}{age}")
    room = "" if its.archive.free_bytes is None else f", {its.archive.free_bytes / 1e9:.1f} GB free"
    can = "can be written" if its.archive.writable else "cannot be written"
    lines.append(f"  archive      {its.archive.path}: {can}{room}")
    if its.publishing:
        lines.append(f"  publishing   {its.publishing}")
    lines.append(f"  screens      {its.live_clients} live{f', {its.commander} in command' if its.commander else ''}")
    lines.append(f"  last error   {its.last_error or 'none'}")
    return "\n".join(lines)


def _pull(its: Status) -> str:
    pull = its.pull
    if pull is None:
        return "none running"
    where = {"zero_before": "zeros before", "zero_after": "zeros after"}.get(pull.phase)
    where = where or (f"step {pull.step} of {pull.steps}" if pull.step is not None else pull.phase)
    return f"{pull.id}, {pull.subject}, {pull.direction}, {where}{', paused' if pull.paused else ''}"
