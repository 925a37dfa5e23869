"""Checks of the computer: Python, packages, folders, services, clock, disk, terminal. Pure functions of the facts."""

from acquire.doctor.facts import Facts
from acquire.doctor.verdict import Line, good, note, wrong

_LEAST_PYTHON = (3, 11)
_LEAST_SQLITE = (3, 38)
# sqlite.org/releaselog: the reset of a WAL could race with several writers before these (from memory)
_WAL_RESET_MENDED = (3, 51, 3)
_WAL_RESET_BACKPORTS = {(3, 44, 6), (3, 50, 7)}
# a pull of twenty minutes with six channels at 50/s, as kept; twice, for quicker instruments
BYTES_A_PULL = 2_500_000
_LEAST_PULLS = 100
_FEW_PULLS = 1000
_LEAST_BYTES = 200_000_000
_FEWEST_TO_COUNT = 5
_INSTALL_AGAIN = "install again with: python -m pip install -c config/constraints.txt ."
_COLUMNS, _ROWS = 80, 24
_COARSE_S = 0.02
# what runs, what it does to a port, and the units to be masked: udev starts them again, whatever is disabled
SERVICES = {
    "ModemManager": ("sends modem commands to a port that is plugged in", "ModemManager"),
    "brltty": ("takes USB adapters for a Braille display", "brltty brltty-udev"),
    "gpsd": ("opens USB adapters to look for a GPS receiver", "gpsd gpsd.socket"),
}


def python(facts: Facts) -> Line:
    """New enough, and 64 bit."""
    name = "Python"
    said = f"{'.'.join(map(str, facts.python))}, {facts.bits} bit"
    if facts.python[:2] < _LEAST_PYTHON:
        return wrong(name, f"{said} is too old", "install Python 3.11 or newer, and steadydraw in it")
    if facts.bits < 64:
        return wrong(name, f"{said}: several packages are there for 64 bit only", "install a 64 bit Python")
    return good(name, said)


def packages(facts: Facts) -> Line:
    """Every package that is needed, in a version that fits."""
    name = "packages"
    if not facts.packages:
        return note(name, "steadydraw is not installed as a package here", "python -m pip install .")
    unfit = [p for p in facts.packages if not p.fits]
    if unfit:
        said = ", ".join(f"{p.name} {p.there or 'is not there'}{f' ({p.wanted})' if p.there else ''}" for p in unfit)
        return wrong(name, said, _INSTALL_AGAIN)
    if facts.installed_version not in ("", facts.version):
        said = f"installed as {facts.installed_version}, but this is {facts.version}, which may need others"
        return note(name, said, _INSTALL_AGAIN)
    return good(name, f"steadydraw {facts.version} and the {len(facts.packages)} that it needs")


def extras(facts: Facts) -> Line:
    """Optional parts: only wrong where the configuration needs one that is not there."""
    name = "extras"
    if not facts.extras:
        return good(name, "this version has none")
    there = [extra.name for extra in facts.extras if not extra.absent]
    absent = [extra for extra in facts.extras if extra.absent]
    if not absent:
        return good(name, ", ".join(there))
    needed = [extra.name for extra in absent if facts.config is not None and extra.name in facts.config.needs]
    if needed:
        said = f"the configuration needs {' and '.join(needed)}, not installed here"
        return wrong(name, said, f"python -m pip install '.[{','.join(needed)}]'")
    said = ", ".join(f"{extra.name} not installed" for extra in absent)
    names = ",".join(extra.name for extra in absent)
    return note(name, said, f"only if you want it: python -m pip install '.[{names}]'")


def sqlite(facts: Facts) -> Line:
    """New enough for the archive; the WAL reset is only worth a note, since one process writes."""
    name = "SQLite"
    said = ".".join(map(str, facts.sqlite))
    if facts.sqlite < _LEAST_SQLITE:
        return wrong(name, f"{said} is too old for the archive", "install a Python with SQLite 3.38 or newer")
    if facts.sqlite < _WAL_RESET_MENDED and facts.sqlite not in _WAL_RESET_BACKPORTS:
        return note(name, f"{said}: several writers at once could lose data, but only the daemon writes")
    return good(name, said)


def folders(facts: Facts) -> Line:
    """Folders for what is kept and for what matters while things run."""
    name = "folders"
    barred = [folder for folder in facts.folders if not folder.writable]
    if barred:
        said = " and ".join(f"the {folder.what} {folder.path} cannot be written" for folder in barred)
        return wrong(name, said, "give this user the right to write there, or choose another with --db")
    return good(name, " and ".join(folder.what for folder in facts.folders) + " can be written")


def services(facts: Facts) -> Line | None:
    """Programs of the system that take serial ports; None where it cannot be told."""
    if facts.services is None:
        return None
    name = "services"
    running = [service for service in SERVICES if service in facts.services]
    if running:
        said = "; ".join(f"{service} runs and {SERVICES[service][0]}" for service in running)
        units = " ".join(SERVICES[service][1] for service in running)
        return note(name, said, f"if a port is taken: sudo systemctl mask --now {units}, then plug it in again")
    return good(name, f"none of {', '.join(SERVICES)} runs")


def clock(facts: Facts) -> Line:
    """Set, going, and in which zone."""
    name = "clock"
    newest = max((stamp for stamp in (facts.archive.newest_utc,) if stamp), default="")
    now = facts.now.isoformat(timespec="seconds")
    if facts.now < facts.built:
        said = f"it says {facts.now:%Y-%m-%d}, but this steadydraw is of {facts.built:%Y-%m-%d}"
        return wrong(name, said, "set the computer's clock")
    if newest and newest[:19] > now[:19]:
        said = f"it says {now[:10]}, but the archive has a pull of {newest[:10]}"
        return wrong(name, said, "set the computer's clock: pulls would be kept in a wrong order")
    if not facts.monotonic or facts.clock_step_s > _COARSE_S:
        said = f"its steps are {facts.clock_step_s * 1000:.3g} ms" if facts.monotonic else "it can be set back"
        return wrong(name, f"for measuring time {said}", "install a newer Python")
    said = f"{facts.now:%Y-%m-%d %H:%M} UTC, zone {facts.zone or 'not told'} ({facts.utc_offset_h:+g} h)"
    if facts.synchronised is False:
        return note(name, f"{said}, not synchronised", "switch on the setting of the clock from the network")
    return good(name, said + (", synchronised" if facts.synchronised else ""))


def disk(facts: Facts) -> Line:
    """Room for pulls to come, at the size that this archive's pulls have."""
    name = "disk"
    if facts.free_bytes is None:
        return note(name, f"it cannot be told how much is free at {facts.archive.path}")
    counted = facts.archive.pulls >= _FEWEST_TO_COUNT
    each = max(facts.archive.bytes_ / facts.archive.pulls, 1.0) if counted else float(BYTES_A_PULL)
    pulls = int(facts.free_bytes / each)
    said = f"{_size(facts.free_bytes)} free, about {_round(pulls)} pulls of {_size(each)}"
    cure = "make room, or put the archive on another disk with --db"
    if pulls < _LEAST_PULLS or facts.free_bytes < _LEAST_BYTES:
        return wrong(name, said, cure)
    return note(name, said, cure) if pulls < _FEW_PULLS else good(name, said)


def terminal(facts: Facts) -> Line:
    """What the dashboard needs."""
    name, its = "terminal", facts.terminal
    if not its.attached:
        return note(name, "none here, so it was not looked at")
    said = f"{its.columns} by {its.rows}, {its.encoding}, {'colours' if its.colours else 'no colours'}"
    if "utf" not in its.encoding.lower():
        cure = "on Windows use the newer terminal, or set PYTHONUTF8=1; on Linux set LANG=C.UTF-8"
        return wrong(name, f"{said}: the dashboard's signs need UTF-8", cure)
    if its.columns < _COLUMNS or its.rows < _ROWS:
        return note(name, said, f"make it at least {_COLUMNS} by {_ROWS} for the dashboard")
    return good(name, said)


def _size(number: float) -> str:
    for unit, size in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6)):
        if number >= size:
            return f"{number / size:.3g} {unit}"
    return f"{number / 1e3:.3g} kB"


def _round(number: int) -> str:
    return f"{int(float(f'{number:.2g}')):,}"
