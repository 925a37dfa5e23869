"""Channels of instruments that are asked in a protocol: which query or register, and what it measures."""

import re
from collections.abc import Callable, Collection
from typing import Any

from acquire.wiring.asking import Answered, as_float, registers
from acquire.wiring.config_text import Channel
from acquire.wiring.listen import Clock, Opener, Wire, collect
from acquire.wiring.questions import ask_channel, choices
from acquire.wiring.talk import Talk, ask_until
from drivers.errors import DriverError
from drivers.registry import make_instrument
from drivers.sample import Sample

_REGISTER = re.compile(
    r"(?:(\d+):)?(input|holding) (\d+) (int16|uint16|int32|uint32|float32)( swapped)?( low byte first)?", re.ASCII
)


def scpi_channels(
    talk: Talk, port: str, wire: Wire, clock: Clock, opener: Opener, taken: Collection[str]
) -> list[Channel]:
    """Queries from the instrument's manual, each tried through the shipped driver."""
    talk.say("  Which queries read your channels, its manual says. An empty answer ends.")

    def query(answer: str) -> str:
        if answer and ("?" not in answer or not answer.isascii()):
            raise ValueError("A query has a question mark, such as MEAS:PRES?")
        return answer

    return _channels(
        talk, "scpi", port, wire, clock, opener, taken, lambda: _or_none(ask_until(talk, "  query", "", query), "query")
    )


def modbus_channels(
    talk: Talk, port: str, answered: Answered, clock: Clock, opener: Opener, taken: Collection[str]
) -> list[Channel]:
    """Registers from the device's manual, each tried through the shipped driver; the first ones are shown."""
    for unit in answered.units:
        found = registers(port, answered.wire, unit, clock, opener)
        for its, after in zip(found, [*found[1:], None], strict=False):
            pair = f"   as float32 {as_float(its.value, after.value):.6g}" if after and after.table == its.table else ""
            talk.say(f"  {unit}:{its.table} {its.number:<3} {its.value:>6}{pair}")
    talk.say(
        "  Which of them are your channels, its manual says. Write device, table, register\n"
        "  and type, such as 1:input 0 uint16 or 2:holding 4 float32, with swapped at the end\n"
        "  where the low word comes first, and low byte first where each register is turned\n"
        "  round as well. An empty answer ends."
    )

    def register(answer: str) -> dict[str, Any]:
        if not answer:
            return {}
        match = _REGISTER.fullmatch(answer)
        if match is None or not 1 <= int(match[1] or answered.units[0]) <= 247 or int(match[3]) > 65535:
            raise ValueError("Such as 1:input 0 uint16.")
        keys: dict[str, Any] = {"device": int(match[1] or answered.units[0]), "table": match[2]}
        keys |= {"register": int(match[3]), "type": match[4]}
        keys |= {"word_order": "little"} if match[5] else {}
        return keys | ({"byte_order": "little"} if match[6] else {})

    return _channels(
        talk,
        "modbus_rtu",
        port,
        answered.wire,
        clock,
        opener,
        taken,
        lambda: ask_until(talk, "  register", "", register),
    )


def _or_none(answer: str, key: str) -> dict[str, Any]:
    return {key: answer} if answer else {}


def _channels(
    talk: Talk,
    driver: str,
    port: str,
    wire: Wire,
    clock: Clock,
    opener: Opener,
    taken: Collection[str],
    next_one: Callable[[], dict[str, Any]],
) -> list[Channel]:
    found: list[Channel] = []
    while place := next_one():
        try:
            value = _value(driver, port, wire, place, clock, opener)
        except DriverError as error:
            talk.say(f"  {error}.")
            continue
        if value is None:
            talk.say("  No number came back.")
            continue
        if not found:
            talk.say(f"\n{choices()}")
        said = " ".join(str(part) for part in place.values())

        def look(place: dict[str, Any] = place) -> list[float]:
            now = _value(driver, port, wire, place, clock, opener)
            return [] if now is None else [now]

        answer = ask_channel(talk, said, look, "", 0.0, {*taken, *(channel.name for channel in found)})
        if answer is not None:
            found.append(Channel(answer[0], {**place, **answer[1]}, answer[2]))
    return found


def _line(data: bytes, _seconds: float) -> bool:
    return data[-1:] == b"\n"


def _never(_data: bytes, _seconds: float) -> bool:
    return False


def _value(driver: str, port: str, wire: Wire, place: dict[str, Any], clock: Clock, opener: Opener) -> float | None:
    """One number, asked and read by the shipped driver."""
    parity = {"parity": wire.parity} if driver == "modbus_rtu" else {}
    table = {"driver": driver, "port": port, "channels": {"one": {"unit": "1", **place}}, **wire.keys(port), **parity}
    instrument = make_instrument("wire", table)
    parser = instrument.parser()
    parser.reset()
    # the bytes of a Modbus answer may look like a line's end
    whole = _line if driver == "scpi" else _never
    link = opener(port, wire)
    try:
        for _ in range(8):  # SCPI asks who it is and empties its error queue first
            before = parser.counts.good_lines + parser.counts.discarded
            link.write(parser.ask())
            samples = parser.feed(collect(link, clock, whole, instrument.reply_within_s), clock.t_us())
            for sample in samples:
                if isinstance(sample, Sample):
                    return sample.value
            if parser.counts.good_lines + parser.counts.discarded == before:
                parser.abandon()
    finally:
        link.close()
    return None
