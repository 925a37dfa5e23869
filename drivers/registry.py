"""Names of instrument families to the classes behind them: built in, or of another installed package."""

import difflib
from collections.abc import Iterable
from typing import get_args

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from drivers import plugins
from drivers.base import Instrument, InstrumentSettings
from drivers.button import LineOnButton
from drivers.errors import DriverError, SettingsError
from drivers.lines import LinesAsked, LinesStreamed
from drivers.link import check_port
from drivers.modbus import ModbusRtu
from drivers.scpi import Scpi
from drivers.typed import Typed
from drivers.visa import is_visa

FAMILIES: dict[str, type[Instrument]] = {
    "lines_streamed": LinesStreamed,
    "lines_asked": LinesAsked,
    "line_on_button": LineOnButton,
    "modbus_rtu": ModbusRtu,
    "scpi": Scpi,
    "typed": Typed,
}


def make_instrument(name: str, table: dict[str, object]) -> Instrument:
    """The instrument that ``table``, an entry of the configuration, describes.

    Raises :class:`SettingsError` with one sentence that starts with the key,
    relative to the entry.
    """
    others = plugins.offered(FAMILIES)
    known = ", ".join([*FAMILIES, *others])
    if "driver" not in table:
        raise SettingsError(f"driver: this key is needed; known drivers are {known}")
    driver = table["driver"]
    if isinstance(driver, str) and driver in FAMILIES:
        return _made(FAMILIES[driver], name, table)
    if not isinstance(driver, str) or driver not in others:
        raise SettingsError(
            f"driver: no such driver {driver!r}{_nearest(driver, [*FAMILIES, *others])}; known are {known}"
        )
    family = plugins.load(driver, others[driver])
    try:
        return plugins.proven(_made(family, name, table))
    except DriverError:
        raise
    except Exception as error:  # whatever a package that is not ours may raise
        raise SettingsError(
            f"driver: {driver!r} of {plugins.package(others[driver][0])} failed ({plugins.faulty(error)}): "
            "report it to whoever made that package"
        ) from error


def _made(family: type[Instrument], name: str, table: dict[str, object]) -> Instrument:
    try:
        settings = family.Settings.model_validate(table)
    except ValidationError as error:
        raise SettingsError(_say(_most_telling(error.errors()), family.Settings)) from error
    check_port(settings.port)
    if is_visa(settings.port) and not family.answers_in_lines:
        raise SettingsError(
            f"port: {settings.port} only answers when asked, with one line: use the driver scpi or lines_asked"
        )
    return family(name, settings)


def _most_telling(faults: list[ErrorDetails]) -> ErrorDetails:
    # a misspelt key is also a missing one: say the spelling
    return next((fault for fault in faults if fault["type"] == "extra_forbidden"), faults[0])


def _say(fault: ErrorDetails, model: type[InstrumentSettings]) -> str:
    location = ".".join(str(part) for part in fault["loc"])
    if fault["type"] == "extra_forbidden":
        fields = _channel_fields(model) if len(fault["loc"]) == 3 else list(model.model_fields)
        return f"{location}: no such key{_nearest(fault['loc'][-1], fields)}; known are {', '.join(fields)}"
    if fault["type"] == "missing":
        return f"{location}: this key is needed"
    if fault["type"] == "value_error":
        return f"{location}: {fault['msg'].removeprefix('Value error, ')}"
    if fault["type"] in ("model_type", "dict_type"):
        return f"{location}: must be a table, but it is {fault['input']!r}"
    if fault["type"] == "too_short":
        return f"{location}: at least one is needed"
    return f"{location}: {fault['msg'].replace('Input should', 'must')}, but it is {fault['input']!r}"


def _channel_fields(model: type[InstrumentSettings]) -> list[str]:
    channel = get_args(model.model_fields["channels"].annotation)[1]
    return [field.alias or name for name, field in channel.model_fields.items()]


def _nearest(word: object, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(str(word), list(known), n=1)
    return f" (did you mean {close[0]}?)" if close else ""
