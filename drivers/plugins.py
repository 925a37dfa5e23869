"""Families of instruments that other installed packages bring, by the entry point group ``steadydraw.instruments``.

Nothing of them is imported before a configuration names their driver, so that
what is broken in a package that nobody uses does no harm.
"""

import inspect
import logging
import sys
from collections.abc import Collection
from functools import lru_cache
from importlib.metadata import EntryPoint, entry_points

from drivers.base import Instrument, InstrumentSettings
from drivers.errors import SettingsError

log = logging.getLogger(__name__)

GROUP = "steadydraw.instruments"


def offered(built_in: Collection[str]) -> dict[str, tuple[EntryPoint, ...]]:
    """What is installed, by the driver's name; one that has the name of a built-in driver is not used, and said."""
    return _offered(tuple(sys.path), tuple(built_in))


@lru_cache(maxsize=8)
def _offered(_path: tuple[str, ...], built_in: tuple[str, ...]) -> dict[str, tuple[EntryPoint, ...]]:
    found: dict[str, list[EntryPoint]] = {}
    for its in entry_points(group=GROUP):
        if its.name in built_in:
            log.warning("%s brings a driver %r, but that is built in: the built-in one is used", package(its), its.name)
        else:
            found.setdefault(its.name, []).append(its)
    return {name: tuple(its) for name, its in found.items()}


def load(name: str, points: tuple[EntryPoint, ...]) -> type[Instrument]:
    """The class behind a driver's name. Raises :class:`SettingsError` with one sentence."""
    if len(points) > 1:
        raise SettingsError(
            f"driver: several installed packages bring a driver {name!r} ({', '.join(map(package, points))}): "
            "uninstall all but one"
        )
    (its,) = points
    try:
        family = its.load()
    except (Exception, SystemExit) as error:
        raise SettingsError(f"driver: {name!r} of {package(its)} cannot be loaded ({faulty(error)})") from error
    if not (isinstance(family, type) and issubclass(family, Instrument)) or inspect.isabstract(family):
        raise SettingsError(
            f"driver: {name!r} of {package(its)} is no instrument: {its.value} must be a drivers.base.Instrument "
            "with a parser"
        )
    settings: object = family.Settings
    if not (isinstance(settings, type) and issubclass(settings, InstrumentSettings)):
        raise SettingsError(
            f"driver: {name!r} of {package(its)}: its Settings must be a kind of drivers.base.InstrumentSettings"
        )
    return family


def proven(instrument: Instrument) -> Instrument:
    """The instrument, if all that a reader asks of it can be had; whatever else its package raises passes through."""
    instrument.parser()
    if instrument.asks and not (instrument.ask_every_s > 0 and instrument.reply_within_s > 0):
        raise SettingsError("driver: ask_every_s and reply_within_s must be above zero")
    return instrument


def faulty(error: BaseException) -> str:
    """An error of a package that is not ours, on one line and not too long."""
    return f"{type(error).__name__}: {' '.join(str(error).split())[:160] or 'no reason given'}"


def package(its: EntryPoint) -> str:
    """Name and version of what brings a driver."""
    return f"{its.dist.name} {its.dist.version}" if its.dist is not None else its.value
