"""What is said of the room's air: its values, where each came from, how old it was."""

from collections.abc import Sequence
from datetime import datetime
from textwrap import wrap

from acquire.age import duration_said
from acquire.bench_records import Kept
from acquire.config import BenchConfig, RoomAir
from acquire.flow.air import within_stated_range
from acquire.records import ArchivedPull
from acquire.room.air import CHANNELS, by_hand, said_date, source_said
from acquire.room.entry import RoomEntry, age_of_entry_s
from acquire.units import from_si


def values_said(pressure_pa: float | None, temperature_k: float | None, humidity: float | None) -> str:
    """What is given of an air, each in the two usual units."""
    parts = []
    if pressure_pa is not None:
        parts.append(
            f"{from_si(pressure_pa, 'hPa'):.1f} hPa ({from_si(pressure_pa, 'inHg'):.2f} inHg) station pressure"
        )
    if temperature_k is not None:
        parts.append(f"{from_si(temperature_k, 'C'):.1f} C ({from_si(temperature_k, 'F'):.1f} F)")
    if humidity is not None:
        parts.append(f"{100 * humidity:.0f} %RH")
    return ", ".join(parts)


def worked_out_said(its: RoomAir | RoomEntry) -> str:
    """That a station pressure was worked out from sea level; empty where it was not."""
    if its.sea_level_pressure_pa is None or its.altitude_m is None:
        return ""
    return (
        f"worked out from {from_si(its.sea_level_pressure_pa, 'hPa'):.1f} hPa "
        f"({from_si(its.sea_level_pressure_pa, 'inHg'):.2f} inHg) at sea level and {its.altitude_m:.0f} m altitude"
    )


def entry_lines(entry: RoomEntry) -> list[str]:
    """One entry: what it says, and how its pressure came about."""
    lines = [values_said(entry.pressure_pa, entry.temperature_k, entry.humidity), worked_out_said(entry)]
    return [part for line in lines for part in wrap(line, 80, initial_indent="  ", subsequent_indent="    ")]


def entries_text(kept: Sequence[Kept[RoomEntry]], now: datetime) -> str:
    """``steadydraw air``: the entries, the newest first."""
    if not kept:
        return "No room air was entered yet: give --pressure, --temperature or --humidity."
    lines = []
    for its in kept:
        age_s = age_of_entry_s(its.record.made_utc, now)
        age = "dated after now: check the computer's clock" if age_s is None else f"{duration_said(age_s)} old"
        by = f", by {its.record.made_by}" if its.record.made_by else ""
        lines += [f"{said_date(its.record.made_utc)} ({age}{by})", *entry_lines(its.record)]
    return "\n".join(lines)


def pull_air_lines(pull: ArchivedPull) -> list[str]:
    """``steadydraw show``: the air at the first point, and where each value came from."""
    if not pull.points:
        return []
    first = min(pull.points, key=lambda point: point.t_us).room
    lines = [f"Air: {values_said(first.pressure_pa, first.temperature_k, first.relative_humidity)}"]
    lines += [f"  {source}" for source in air_sources(pull)]
    if not all(within_stated_range(its.room.pressure_pa, its.room.temperature_k) for its in pull.points):
        lines.append(f"  {OUTSIDE_RANGE}")
    return lines


OUTSIDE_RANGE = "outside 15 to 27 C or 600 to 1100 hPa the density formula is less sure: carried in ±"


def air_sources(pull: ArchivedPull) -> list[str]:
    """Where each value of the room's air came from, like ones together."""
    found: dict[str, list[str]] = {}
    values = by_hand(pull.config, pull.basis, pull.sources)
    for channel in CHANNELS:
        its = values.get(channel)
        source = f"from {pull.sources[channel]}" if its is None else source_said(its)
        found.setdefault(source, []).append(channel.removeprefix("room_"))
    lines = [f"{', '.join(names)}: {source}" for source, names in found.items()]
    pressure = values.get("room_pressure")
    if pressure is not None:
        entry = pull.basis.room if pressure.from_entry else None
        worked_out = worked_out_said(entry or pull.config.room)
        lines += [f"pressure {worked_out}"] if worked_out else []
    return lines


def daemon_lines(config: BenchConfig, measured: Sequence[str], latest: RoomEntry | None, now: datetime) -> list[str]:
    """What the daemon says of the room's air when it starts; nothing where instruments measure all of it."""
    lines = []
    for channel in CHANNELS:
        if channel in measured:
            continue
        attribute = {"room_pressure": "pressure_pa", "room_temperature": "temperature_k"}.get(channel, "humidity")
        name, its, date, at = channel.replace("_", " "), config.room, config.room.entered, now.astimezone()
        source: RoomAir | RoomEntry = its
        if latest is not None and getattr(latest, attribute) is not None:
            source, date, at = latest, latest.made_utc, now
        age_s, limit_s = age_of_entry_s(date, at), float(getattr(its, f"{channel.removeprefix('room_')}_age_limit_s"))
        if getattr(source, attribute) is None:
            lines.append(f"{name}: not known: enter it with 'steadydraw air' before the first pull")
            continue
        value = values_said(**{key: getattr(source, key) if key == attribute else None for key in _KEYS})
        age = "without a date" if age_s is None else f"{duration_said(age_s)} ago"
        old = age_s is None or age_s > limit_s
        hint = f": too old (limit {duration_said(limit_s)}), enter today's with 'steadydraw air'" if old else ""
        worked_out = worked_out_said(source) if channel == "room_pressure" else ""
        lines.append(f"{name}: {value}, entered by hand {age}{hint}" + (f"; {worked_out}" if worked_out else ""))
    return lines


_KEYS = ("pressure_pa", "temperature_k", "humidity")
