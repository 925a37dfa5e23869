"""All checks in the order in which they are shown. Pure."""

from acquire.doctor import bench, machine
from acquire.doctor.facts import Facts
from acquire.doctor.verdict import Line


def check_all(facts: Facts) -> list[Line]:
    """A line for each check; what cannot be told on this system has none."""
    lines = [
        machine.python(facts),
        machine.packages(facts),
        machine.extras(facts),
        machine.sqlite(facts),
        machine.terminal(facts),
        machine.folders(facts),
        machine.disk(facts),
        bench.archive(facts),
        machine.clock(facts),
        machine.services(facts),
        bench.serial_group(facts),
        bench.present(facts),
        bench.configuration(facts),
        *bench.ports(facts),
        *bench.daemon(facts),
    ]
    return [line for line in lines if line is not None]
