"""The list of ports: what the USB says of each, how to name it, and who owns it. Pure, but for gathering."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from drivers.ports import PresentPort, name_of


@dataclass(frozen=True, slots=True)
class Listed:
    """One port. ``write`` is how to name it in a configuration; ``owner`` a bench whose daemon has it open."""

    port: PresentPort
    write: str
    owner: str = ""

    @property
    def alike(self) -> bool:
        """Whether another port says the very same of itself, so that only its present name tells it."""
        return self.port.vendor is not None and not self.write.startswith("usb:")

    @property
    def by_place(self) -> bool:
        """Whether only its place tells it from another one."""
        return self.write.startswith("usb:") and self.write.endswith(f":at={self.port.location}")


def list_ports(present: Sequence[PresentPort], owned: Mapping[str, str]) -> list[Listed]:
    """Every port, those with a USB device first; ``owned`` is bench by device."""
    listed = [Listed(port, name_of(port, present), owned.get(port.device, "")) for port in present]
    return sorted(listed, key=lambda its: (its.port.vendor is None, its.port.device))


def listing_text(listed: Sequence[Listed]) -> str:
    """Two or three lines a port, at most 80 columns unless a name is longer."""
    if not listed:
        return "No serial port is there: plug the instrument in, and look again."
    return "\n".join(line for its in listed for line in _lines(its))


def _lines(its: Listed) -> list[str]:
    port = its.port
    lines = [f"{port.device}  {port.description}"[:80].rstrip()]
    if port.vendor is not None and port.product is not None:
        told = [f"vendor {port.vendor:04x}", f"product {port.product:04x}"]
        told.append(f"serial {port.serial_number}" if port.serial_number else "no serial number")
        told.append(f"at {port.location}" if port.location else "place not told")
        lines.append(f"   {', '.join(told)}")
    lines.append(f'   port = "{its.write}"')
    if its.alike:
        lines.append("   another says the same of itself: this name may be the other's tomorrow")
    elif its.by_place:
        lines.append("   told from another by its place: leave it in its socket")
    if its.owner:
        lines.append(f"   in use by the daemon of {its.owner}")
    return lines


def listing_json(listed: Sequence[Listed]) -> list[dict[str, Any]]:
    """The same as plain values; vendor and product as numbers."""
    return [asdict(its.port) | {"write": its.write, "owner": its.owner} for its in listed]
