"""What was typed for a channel, read and checked. Pure."""

from acquire.records import Refused
from acquire.units import Kind, UnitError, Water, from_si, kind_of, to_si, units_of
from drivers.base import ChannelSettings
from drivers.typed import read_text


def number_typed(channel: str, text: str, settings: ChannelSettings, water: Water) -> float:
    """The number in the channel's unit; any unit of the same kind may follow it.

    Raises :class:`Refused` with one sentence for what is no number, another
    quantity, or outside the channel's scale.
    """
    name, unit = channel.replace("_", " "), settings.unit
    if not text.strip():
        raise Refused(f"Nothing was typed: type the {name} in {unit}, then Enter.")
    try:
        number, its_unit = read_text(text)
    except ValueError as error:
        raise Refused(f"Not used: {error}.") from error
    if its_unit and its_unit != unit:
        kind = kind_of(unit)
        known = _unit_said(its_unit, kind)
        if known is None:
            raise Refused(f"Not used: {its_unit!r} is no unit of {kind}; the {name} is typed in {unit}.")
        if known != unit:
            number = from_si(to_si(number, known, water), unit, water)
    if not settings.in_range(number):
        raise Refused(
            f"Not used: {number:g} {unit} lies outside {settings.low:g} to {settings.high:g} {unit} ({name})."
        )
    return number


def _unit_said(text: str, kind: Kind) -> str | None:
    """The unit that is meant, whatever its capitals; None for another quantity's, or for two of a name."""
    try:
        if kind_of(text) == kind:
            return text
    except UnitError:
        pass
    meant = [name for name in units_of(kind) if name.casefold() == text.casefold()]
    return meant[0] if len(meant) == 1 else None
