"""The bench's configuration: TOML with quantities such as ``"28 inH2O"``.

Every key that holds a quantity takes a string of number and unit and is SI
inside, with the unit in the attribute's name. Unknown keys are refused with
the nearest known one.
"""

import difflib
import tomllib
from datetime import date
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, Field, ValidationError, model_validator

from acquire.flow.air import check_entered, station_pressure_pa
from acquire.meters import KINDS, AnyMeterRange, MeterRange
from acquire.publishing.settings import Publish
from acquire.quantity import Area, Flow, Humidity, Length, Pressure, Ratio, Seconds, Table, Temperature, Volume
from acquire.units import INCH_M, UnitError, Water, kind_of
from acquire.values import CHANNEL_KINDS, REQUIRED_CHANNELS, Convention, Direction
from drivers.base import Instrument
from drivers.errors import DriverError
from drivers.registry import make_instrument

__all__ = [
    "AnyMeterRange",
    "Area",
    "BenchConfig",
    "ConfigError",
    "Display",
    "Flow",
    "Humidity",
    "Leakage",
    "Length",
    "Meter",
    "MeterRange",
    "Pressure",
    "Ratio",
    "Ready",
    "Reference",
    "RoomAir",
    "Schedule",
    "Seconds",
    "Settling",
    "Shop",
    "Table",
    "Temperature",
    "Volume",
    "Zero",
    "check_config",
    "load_config",
    "parse_config",
    "say_first",
]


class ConfigError(Exception):
    """One sentence: the file, the key, what is wrong and what to do."""


class Shop(Table):
    """Who tests; printed on the flow sheet."""

    name: str = ""
    address: str = ""
    contact: str = ""


class Display(Table):
    """The operator's units."""

    pressure: str = "inH2O"
    lift: str = "in"
    flow: str = "cfm"
    temperature: str = "C"
    barometer: str = "kPa"

    @model_validator(mode="after")
    def _kinds(self) -> "Display":
        for key, kind in (
            ("pressure", "pressure"),
            ("lift", "length"),
            ("flow", "flow"),
            ("temperature", "temperature"),
            ("barometer", "pressure"),
        ):
            unit = getattr(self, key)
            if kind_of(unit) != kind:
                raise ValueError(f"{key} = {unit!r} is not a unit of {kind}")
        return self


class Settling(Table):
    """When a reading counts as settled, in the operator's terms.

    ``wanted`` is the 95 % half-width of the reading's own scatter and drift;
    after ``longest_wait`` the reading is taken with what it has, and says so.
    ``creep_chance``: how often a flow that seems settled still creeps after a
    move, ``creep_size``: by how much of the reading (root mean square). The more
    is reckoned with, the fewer readings are taken too soon, and the longer each takes.
    """

    wanted: Annotated[Ratio, Field(gt=0, le=0.1)] = 0.003
    creep_chance: Annotated[Ratio, Field(gt=0, lt=1)] = 0.20
    creep_size: Annotated[Ratio, Field(gt=0, le=0.1)] = 0.012
    longest_wait_s: Annotated[Seconds, Field(alias="longest_wait", ge=2, le=600)] = 60.0
    test_pressure_band: Annotated[Ratio, Field(gt=0, le=0.2)] = 0.02
    lift_tolerance_m: Annotated[Length, Field(alias="lift_tolerance", gt=0)] = 0.002 * INCH_M


class Zero(Table):
    """Reading the zeros with the bench off, before and after a pull."""

    time_s: Annotated[Seconds, Field(alias="time", ge=0.5, le=60)] = 3.0
    pressure_band_pa: Annotated[Pressure, Field(alias="pressure_band", gt=0)] = 0.3 * 249.08891
    lift_band_m: Annotated[Length, Field(alias="lift_band", gt=0)] = 0.010 * INCH_M
    pressure_shift_limit_pa: Annotated[Pressure, Field(alias="pressure_shift_limit", gt=0)] = 0.05 * 249.08891
    lift_shift_limit_m: Annotated[Length, Field(alias="lift_shift_limit", gt=0)] = 0.001 * INCH_M


class Reference(Table):
    """What every stated flow refers to: test pressure and reference air, and by which convention.

    ``same restriction``: what the restriction would pass from reference air;
    ``by mass``: the mass flow from the air of the day over the reference
    density; ``as is``: the same over the day's own density upstream of the
    port. Only the first does not move with the weather.
    """

    test_pressure_pa: Annotated[Pressure, Field(alias="test_pressure", gt=0)] = 28 * 249.08891
    air_pressure_pa: Annotated[Pressure, Field(alias="air_pressure", gt=0)] = 101325.0
    air_temperature_k: Annotated[Temperature, Field(alias="air_temperature", gt=0)] = 293.15
    air_humidity: Annotated[Humidity, Field(ge=0, le=1)] = 0.0
    convention: Convention = "same restriction"


class RoomAir(Table):
    """Room air for a bench without such instruments: entered by hand, dated.

    Only used for what no instrument channel measures. ``pressure`` is the
    absolute station pressure; a barometer set to sea level gives
    ``sea_level_pressure`` and the place's ``altitude`` instead. With its
    altitude a station pressure is checked for being one.

    An entry older than its limit when a pull is begun is still used, but not
    trusted. By default (common practice, no source) a barometer counts for
    6 h, in which the weather rarely moves it by more than its accuracy, a
    shop's temperature for 4 h, and humidity, of which a tenth moves a flow by
    0.05 %, for a day.
    """

    pressure_pa: Annotated[Pressure | None, Field(alias="pressure")] = None
    sea_level_pressure_pa: Annotated[Pressure | None, Field(alias="sea_level_pressure")] = None
    altitude_m: Annotated[Length | None, Field(alias="altitude")] = None
    temperature_k: Annotated[Temperature | None, Field(alias="temperature")] = None
    humidity: Annotated[Humidity | None, Field()] = None
    entered: str = ""
    pressure_accuracy_pa: Annotated[Pressure, Field(alias="pressure_accuracy", gt=0)] = 200.0
    temperature_accuracy_k: Annotated[float, Field(gt=0)] = 1.0
    humidity_accuracy: Annotated[Humidity, Field(gt=0)] = 0.1
    pressure_age_limit_s: Annotated[Seconds, Field(alias="pressure_age_limit", gt=0)] = 6 * 3600.0
    temperature_age_limit_s: Annotated[Seconds, Field(alias="temperature_age_limit", gt=0)] = 4 * 3600.0
    humidity_age_limit_s: Annotated[Seconds, Field(alias="humidity_age_limit", gt=0)] = 24 * 3600.0

    @model_validator(mode="after")
    def _station(self) -> "RoomAir":
        if self.sea_level_pressure_pa is not None:
            if self.altitude_m is None:
                raise ValueError("sea_level_pressure needs the altitude too: give both, or the station's pressure")
            station_pa = station_pressure_pa(self.sea_level_pressure_pa, self.altitude_m)
            if self.pressure_pa is not None and abs(self.pressure_pa - station_pa) > 1.0:
                raise ValueError("give either pressure, or sea_level_pressure with altitude")
            # frozen to all others: this is still its making
            object.__setattr__(self, "pressure_pa", station_pa)
        check_entered(self.pressure_pa, self.temperature_k, self.humidity, self.altitude_m)
        return self


class Meter(Table):
    """The flow meter: where its upstream side sits, and its ranges.

    ``upstream_intake`` and ``upstream_exhaust``: the pressure at the meter's
    upstream tap. ``plenum``: the bore side of the port (room minus or plus
    the test pressure); ``room``; ``above_plenum``: plenum plus the meter's
    own pressure, for a meter between blower and plenum.
    """

    upstream_intake: Annotated[str, Field(pattern="^(plenum|room|above_plenum)$")] = "plenum"
    upstream_exhaust: Annotated[str, Field(pattern="^(plenum|room|above_plenum)$")] = "above_plenum"
    ranges: Annotated[dict[str, AnyMeterRange], Field(min_length=1)]


class Leakage(Table):
    """The allowance carried in the budget while leakage was not measured.

    ``wanted``: the 95 % half-width wanted of a blank-plate reading, of the leak itself.
    """

    allowance_area_m2: Annotated[Area, Field(alias="allowance_area", ge=0)] = 4e-6
    age_limit_s: Annotated[Seconds, Field(alias="age_limit", gt=0)] = 30 * 86400.0
    wanted: Annotated[Ratio, Field(gt=0, le=0.5)] = 0.03


class Ready(Table):
    """When the bench counts as ready; see ``steadydraw ready``.

    With the bench off it is watched until zeros and meter temperature move
    less than their drift limits over ``watch``, at most for ``longest_wait``.
    ``plate``: the identifier of the shop's reference plate, if it has one;
    ``plate_since``: the day from which its history counts (ISO 8601), for a
    plate or a meter that was made anew.
    """

    watch_s: Annotated[Seconds, Field(alias="watch", ge=5, le=600)] = 30.0
    longest_wait_s: Annotated[Seconds, Field(alias="longest_wait", ge=10, le=3600)] = 180.0
    zero_limit_pa: Annotated[Pressure, Field(alias="zero_limit", gt=0)] = 0.1 * 249.08891
    zero_drift_pa: Annotated[Pressure, Field(alias="zero_drift", gt=0)] = 0.01 * 249.08891
    temperature_drift_k: Annotated[float, Field(gt=0)] = 1.0
    directions: Annotated[tuple[Direction, ...], Field(min_length=1)] = ("intake", "exhaust")
    plate: Annotated[str, Field(max_length=80)] = ""
    plate_since: date | None = None
    plate_age_limit_s: Annotated[Seconds, Field(alias="plate_age_limit", gt=0)] = 7 * 86400.0
    age_limit_s: Annotated[Seconds, Field(alias="age_limit", gt=0)] = 12 * 3600.0


class Schedule(Table):
    """A lift schedule, rising. ``lifts`` are strings with unit."""

    lifts_m: Annotated[tuple[Length, ...], Field(alias="lifts", min_length=1)]
    test_pressure_pa: Annotated[Pressure | None, Field(alias="test_pressure", gt=0)] = None

    @model_validator(mode="after")
    def _rising(self) -> "Schedule":
        for before, after in zip(self.lifts_m, self.lifts_m[1:], strict=False):
            if after <= before:
                raise ValueError(
                    f"lifts must rise: {after / INCH_M:.4g} in ({after * 1000:.4g} mm) comes after "
                    f"{before / INCH_M:.4g} in ({before * 1000:.4g} mm)"
                )
        if self.lifts_m[0] <= 0:
            raise ValueError("lifts must be above zero")
        return self


class ComparisonOfHeads(Table):
    """What counts as no difference that matters, fixed before any head is compared.

    Half a per cent of the flow: what a careful bench repeats, and less than
    an engine would tell.
    """

    margin: Annotated[Ratio, Field(gt=0, le=0.1)] = 0.005


class ServiceSettings(Table):
    """Where the daemon answers. Beyond this machine only with permission, under these names, and unencrypted."""

    listen: Annotated[str, Field(max_length=200)] = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 0
    beyond_this_machine: bool = False
    names: tuple[Annotated[str, Field(min_length=1, max_length=200)], ...] = ()


class BenchConfig(Table):
    """The whole file."""

    name: str
    water: Water = "conventional"
    shop: Shop = Shop()
    display: Display = Display()
    reference: Reference = Reference()
    settling: Settling = Settling()
    zero: Zero = Zero()
    room: RoomAir = RoomAir()
    meter: Meter
    leakage: Leakage = Leakage()
    ready: Ready = Ready()
    comparison: ComparisonOfHeads = ComparisonOfHeads()
    publish: Publish | None = None
    service: ServiceSettings = ServiceSettings()
    schedules: Annotated[dict[str, Schedule], Field(default_factory=dict)]
    instruments: Annotated[dict[str, dict[str, Any]], Field(min_length=1)]

    def make_instruments(self) -> list[Instrument]:
        """The configured instruments. Raises ``DriverError`` for a bad entry."""
        return [make_instrument(name, table) for name, table in self.instruments.items()]


def load_config(path: Path) -> BenchConfig:
    """Read and check a file. Raises :class:`ConfigError` with one sentence."""
    return parse_config(text_of(path, "check the path given with --config"), str(path))


def text_of(path: Path, cure: str = "check its name") -> str:
    """What a file of text holds. Raises :class:`ConfigError`, with ``cure`` as what to do."""
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise ConfigError(f"{path} cannot be read ({error.strerror}): {cure}") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path} is no text (byte {error.start + 1} is not UTF-8): {cure}") from error


def parse_config(text: str, where: str) -> BenchConfig:
    """Check a configuration's text; ``where`` names it in what is said."""
    return check_config(_read_toml(text, where), where)


def check_config(data: dict[str, Any], where: str) -> BenchConfig:
    """Check a configuration's tables; ``where`` names them in what is said."""
    config = _check_tables(data, where)
    _check_instruments(config, where)
    return config


def parse_tables(text: str, where: str) -> BenchConfig:
    """The tables without asking the drivers: for a kept text whose instruments may be gone."""
    return _check_tables(_read_toml(text, where), where)


def _read_toml(text: str, where: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{where} is not valid TOML: {error}") from error


def _check_tables(data: dict[str, Any], where: str) -> BenchConfig:
    context = {"water": data.get("water", "conventional"), "text": True}
    try:
        return BenchConfig.model_validate(data, context=context)
    except ValidationError as error:
        raise ConfigError(f"{where}: {say_first(error, BenchConfig)}") from error


def _check_instruments(config: BenchConfig, where: str) -> None:
    ports: dict[str, str] = {}
    channels: dict[str, str] = {}
    for name, table in config.instruments.items():
        try:
            instrument = make_instrument(name, table)
        except DriverError as error:
            raise ConfigError(f"{where}: instruments.{name}: {error}") from error
        settings = instrument.settings
        if settings.port and settings.port in ports:
            raise ConfigError(
                f"{where}: instruments.{name}.port: {settings.port} is already used by "
                f"instruments.{ports[settings.port]}: give each instrument its own port"
            )
        ports[settings.port] = name
        for channel, its in settings.channels.items():
            if channel not in CHANNEL_KINDS:
                raise ConfigError(
                    f"{where}: instruments.{name}.channels.{channel}: no such channel"
                    f"{_nearest(channel, CHANNEL_KINDS)}; known are {', '.join(CHANNEL_KINDS)}"
                )
            if channel in channels:
                raise ConfigError(
                    f"{where}: instruments.{name}.channels.{channel}: {channel} is already measured by "
                    f"instruments.{channels[channel]}: keep one of them"
                )
            channels[channel] = name
            try:
                kind = kind_of(its.unit)
            except UnitError as error:
                raise ConfigError(f"{where}: instruments.{name}.channels.{channel}.unit: {error}") from error
            if kind != CHANNEL_KINDS[channel]:
                raise ConfigError(
                    f"{where}: instruments.{name}.channels.{channel}.unit: {its.unit!r} measures {kind}, "
                    f"but {channel} is a {CHANNEL_KINDS[channel]}"
                )
    for channel in REQUIRED_CHANNELS:
        if channel not in channels:
            raise ConfigError(f"{where}: no instrument measures {channel}: add it to an instrument's channels")


def _nearest(word: str, known: Any) -> str:
    close = difflib.get_close_matches(word, list(known), n=1)
    return f" (did you mean {close[0]}?)" if close else ""


def say_first(error: ValidationError, model: type[BaseModel]) -> str:
    """The first fault of a validation, as one sentence with its key; a wrong key goes before a missing one."""
    errors = error.errors()
    first = next((its for its in errors if its["type"] == "extra_forbidden"), errors[0])
    # a meter range's kind stands in the location after its name, and is no key
    keys = [part for place, part in enumerate(first["loc"]) if place != 3 or first["loc"][:2] != ("meter", "ranges")]
    location = ".".join(map(str, keys)) or "the file"
    if first["type"] == "extra_forbidden":
        return f"{location}: no such key{_nearest(str(first['loc'][-1]), _keys_at(model, first['loc'][:-1]))}"
    if first["type"] == "missing":
        return f"{location}: this key is needed"
    return f"{location}: {first['msg'].removeprefix('Value error, ')}"


def _keys_at(model: type[BaseModel], location: tuple[int | str, ...]) -> list[str]:
    current: Any = model
    for part in location:
        fields = getattr(current, "model_fields", {})
        found = next((f for name, f in fields.items() if part in (name, f.alias)), None)
        if part in KINDS:
            current = KINDS[str(part)]
            continue
        if found is None:
            continue  # a key of a dictionary: the annotation already names the values' model
        current = found.annotation
        for argument in getattr(current, "__args__", ()):
            if isinstance(argument, type) and issubclass(argument, BaseModel):
                current = argument
    fields = getattr(current, "model_fields", {})
    return [f.alias or name for name, f in fields.items()]
