"""Checks of what belongs to the bench: configuration, ports, archive, daemon. Pure functions of the facts."""

from collections import defaultdict

from acquire.doctor.facts import Facts, PortFact
from acquire.doctor.verdict import Line, good, note, wrong
from acquire.store.version import VERSION


def configuration(facts: Facts) -> Line:
    """Read by the daemon's own loader."""
    name = "configuration"
    if facts.config is None:
        return note(name, "none was named", "steadydraw doctor --config FILE; steadydraw wire writes one")
    if facts.config.said:
        what, _, cure = facts.config.said.rpartition(": ")
        return wrong(name, what or facts.config.said, cure if what else "correct the file")
    return good(name, f"{facts.config.path} is valid, {len(facts.config.ports)} instruments with a port")


def serial_group(facts: Facts) -> Line | None:
    """On Linux: whether the user may open serial ports."""
    if facts.system != "Linux" or facts.user_groups is None or not facts.serial_group:
        return None
    name, group = "serial group", facts.serial_group
    if facts.administrator:
        return note(name, "this runs as root, who may open every port", "run it as a user of your own")
    if group in facts.user_groups:
        return good(name, f"this user is in {group}")
    if group in (facts.groups_after_login or ()):
        return wrong(name, f"this user was put into {group} after logging in", "log out and in again")
    return wrong(name, f"this user is not in {group}", f"sudo usermod -aG {group} $USER, then log out and in again")


def present(facts: Facts) -> Line:
    """Whether the computer's ports can be listed."""
    name = "ports"
    if facts.ports_said:
        what, _, cure = facts.ports_said.rpartition(": ")
        return wrong(name, what or facts.ports_said, cure)
    n = facts.ports_present
    if not n:
        return note(name, "no serial port is there", "plug the instruments in")
    return good(name, f"{n} serial {'port is' if n == 1 else 'ports are'} there; steadydraw wire --list shows them")


def ports(facts: Facts) -> list[Line]:
    """One line a configured port, and one for each device that two of them name."""
    if facts.config is None:
        return []
    lines = [_port(its) for its in facts.config.ports]
    by_device: dict[str, list[str]] = defaultdict(list)
    for its in facts.config.ports:
        if its.device:
            by_device[its.device].append(its.instrument)
    for device, instruments in by_device.items():
        if len(instruments) > 1:
            said = f"{' and '.join(instruments)} are both {device}"
            lines.append(wrong("ports", said, "give each instrument its own port; steadydraw wire --list shows them"))
    return lines


def _port(its: PortFact) -> Line:
    name = its.instrument
    where = its.port if its.device in ("", its.port) else f"{its.port} is {its.device}"
    if its.state == "free":
        return _stable(its, where)
    if its.state == "ours":
        return good(name, f"{where}, open in the daemon of {its.said}")
    if its.state == "network":
        return good(name, f"{where} answers")
    if its.state == "not tried":
        return note(name, f"{where}: {its.said}")
    if its.state == "barred":
        group = f"the group {its.group}" if its.group else "the port's owner"
        return wrong(name, f"{where} may not be opened by this user", f"see the serial group: {group} may")
    if its.state == "busy":
        who = " and ".join(its.holders) or "another program"
        return wrong(name, f"{where} is in use by {who}", "close that program")
    what, _, cure = its.said.rpartition(": ")
    return wrong(name, what or its.said, cure or "correct the port")


def _stable(its: PortFact, where: str) -> Line:
    # a number given in the order of plugging in; COM numbers stay with their device
    passing = its.port.startswith(("/dev/ttyUSB", "/dev/ttyACM", "/dev/cu.usbmodem"))
    if passing:
        cure = "name it by its USB device: steadydraw wire --list shows how"
        return note(its.instrument, f"{where} is there, but may be another device tomorrow", cure)
    return good(its.instrument, f"{where} is there and free")


def archive(facts: Facts) -> Line:
    """Whole, of this version, and on a disk where it can be shared."""
    name, its = "archive", facts.archive
    if its.remote:
        said = f"{its.path} lies on a network share{f' ({its.file_system})' if its.file_system else ''}"
        return wrong(name, said, "keep it on a disk of this computer and copy backups to the share: its log needs that")
    if not its.there:
        return note(name, f"none yet at {its.path}", "the daemon makes it when it starts")
    if its.said:
        what, _, cure = its.said.rpartition(": ")
        return wrong(name, what or its.said, cure or "put back the last backup")
    size = f"{its.pulls} {'pull' if its.pulls == 1 else 'pulls'}, {its.bytes_ / 1e6:.3g} MB, version {its.version}"
    if its.version < VERSION:
        return note(name, f"{size}, this steadydraw writes version {VERSION}", "the daemon brings it up to date")
    part = "" if its.checked_whole else "; the sample blocks, too many to look at now, have check sums of their own"
    return good(name, f"{size}, undamaged{part}")


def daemon(facts: Facts) -> list[Line]:
    """Running daemons, of the version that this is."""
    name = "daemon"
    lines = []
    for its in facts.daemons:
        who = f"{its.bench} (process {its.pid})"
        if not its.version:
            lines.append(note(name, f"{who} ended without saying so", "nothing: the next start tidies up"))
        elif its.version != facts.version:
            said = f"{who} is steadydraw {its.version}, this is {facts.version}"
            lines.append(wrong(name, said, "stop the daemon and start it again"))
        else:
            lines.append(good(name, f"{who} is running, version {its.version}"))
    return lines or [good(name, "none is running")]
