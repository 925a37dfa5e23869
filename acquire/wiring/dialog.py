"""From ports to a bench: listens, asks, shows what the shipped parsers read, and asks what it measures."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from acquire.wiring import asking
from acquire.wiring.again import again, button, choose
from acquire.wiring.config_text import Bench, Channel, Instrument, missing
from acquire.wiring.listen import (
    Clock,
    Found,
    Opener,
    Wire,
    ask_line,
    listen,
    open_port,
    wait_for_press,
)
from acquire.wiring.protocols import modbus_channels, scpi_channels
from acquire.wiring.questions import ask_channel, ask_ranges, ask_typed, choices
from acquire.wiring.recognise import parser_settings, read
from acquire.wiring.talk import Talk, agreed, ask_until
from drivers.errors import DriverError
from drivers.lines import unescape


@dataclass(frozen=True, slots=True)
class PortToWire:
    """A port: how it is opened, how it is written in the configuration, what it is, and a bench that has it open.

    ``alike``: another says the same of itself, so that nothing written now is sure to find it again.
    """

    port: str
    write: str
    said: str
    owner: str = ""
    chosen: bool = False
    alike: bool = False


class Wiring:
    """The conversation. ``asks`` false: no byte is sent to any port."""

    def __init__(self, talk: Talk, clock: Clock, opener: Opener = open_port, *, asks: bool = True) -> None:
        self._talk = talk
        self._clock = clock
        self._opener = opener
        self._asks = asks
        self._taken: set[str] = set()
        self._names: set[str] = set()
        self._shown = False

    def instruments(self, ports: Sequence[PortToWire]) -> list[Instrument]:
        """Look at each port that is wanted. What a port refuses is said, and the next one is looked at."""
        found = []
        for port in ports:
            try:
                instrument = self._port(port)
            except DriverError as error:
                self._talk.say(f"  {error}.")
                continue
            if instrument is not None:
                found.append(instrument)
                self._taken |= {channel.name for channel in instrument.channels}
        return found

    def bench(self, instruments: Sequence[Instrument]) -> Bench | None:
        """The rest that a bench needs; None when something is missing, which was said."""
        typed = ask_typed(self._talk, missing(instruments))
        everything = list(instruments)
        if typed:
            everything.append(Instrument("by_hand", "Read by a person and typed.", {"driver": "typed"}, tuple(typed)))
        if left := missing(everything):
            self._talk.say(f"\nNothing measures {' and '.join(left)}: wire it and run this again.")
            return None
        ranges = ask_ranges(self._talk)
        if not ranges:
            self._talk.say("\nA bench needs a meter range: look for the certificate and run this again.")
            return None
        water = "conventional"
        if any(c.keys["unit"] == "inH2O" for its in everything for c in its.channels):
            water = self._water()
        name = ask_until(self._talk, "\nName of the bench", "bench 1", _not_empty)
        return Bench(name, water, tuple(everything), ranges)

    def _water(self) -> str:
        known = ("conventional", "4C", "60F", "68F")

        def read_water(answer: str) -> str:
            for name in known:
                if answer.upper() == name.upper():
                    return name
            raise ValueError(f"One of {', '.join(known)}.")

        return ask_until(self._talk, "\nWater of the inH2O (conventional, 4C, 60F, 68F)", known[0], read_water)

    # ------------------------------------------------------------ one port

    def _port(self, port: PortToWire) -> Instrument | None:
        self._talk.say(f"\n{port.said}")
        if port.owner:
            self._talk.say(f"  The daemon of {port.owner} has it open: stop that first to wire it anew.")
            return None
        if not port.chosen and not agreed(self._talk, "  Listen to it?"):
            return None
        if port.alike and not self._goes_by_its_name(port):
            return None
        self._talk.say("  Listening ...")
        found = listen(port.port, self._clock, self._opener)
        kind = found.heard.kind
        if kind == "lines":
            self._talk.say(f"  Lines at {found.wire}, such as  {found.heard.example}")
            return self._lines(port, found, "lines_streamed")
        if kind == "text":
            self._talk.say(f"  Text at {found.wire}, without the same numbers in every line: {found.heard.example}")
        elif kind == "no lines":
            self._talk.say(f"  Text without line ends, which cannot be read: {found.heard.example}")
        elif kind == "not text":
            self._talk.say(
                "  Bytes come, but at no usual speed are they text: look for its speed, parity and\n"
                "  output format in its manual."
            )
        else:
            self._talk.say("  Nothing comes by itself.")
            return self._silent(port)
        return None

    def _goes_by_its_name(self, port: PortToWire) -> bool:
        """Two that cannot be told apart: which one this is stays the user's word."""
        self._talk.say(
            "  It cannot be told from another that is plugged in: after the next start each may\n"
            "  have the other's name. Give one of them another adapter, or check both every day."
        )
        return agreed(self._talk, f"  Write it as {port.write} all the same?", proposed=False)

    def _silent(self, port: PortToWire) -> Instrument | None:
        if self._asks and agreed(
            self._talk, "  Ask it who it is? That sends *IDN? and Modbus requests to it, no more."
        ):
            self._talk.say("  Asking ...")
            if answered := asking.ask_scpi(port.port, self._clock, self._opener):
                return self._scpi(port, answered)
            if answered := asking.ask_modbus(port.port, self._clock, self._opener):
                return self._modbus(port, answered)
            self._talk.say("  No answer.")
        if agreed(self._talk, "  Has it a data button?"):
            return self._button(port)
        if not self._asks:
            return None
        request = ask_until(
            self._talk, r"  It wants to be asked with (manual; such as ?\r; empty: leave it)", "", _request
        )
        return self._asked(port, request) if request else None

    def _button(self, port: PortToWire) -> Instrument | None:
        for wire in (Wire(9600), Wire(2400), Wire(4800), Wire(1200), Wire(19200)):
            self._talk.say(f"  Press its button now, once ({wire}).")
            found = wait_for_press(port.port, wire, self._clock, self._opener)
            if found.heard.seven_bits is not None:
                parity, stop = found.heard.seven_bits
                wire = Wire(wire.baud, 7, parity, stop)
                self._talk.say("  It sends 7 bits. Press it once more.")
                found = wait_for_press(port.port, wire, self._clock, self._opener)
            if found.heard.kind == "lines":
                self._talk.say(f"  It sent  {found.heard.example}")
                return self._lines(port, found, "line_on_button")
            if found.heard.kind == "silence":
                self._talk.say("  Nothing came: check its cable, and that its output is switched on.")
                return None
            self._talk.say("  That is not its speed.")
        return None

    def _asked(self, port: PortToWire, request: str) -> Instrument | None:
        for wire in (Wire(9600), Wire(19200), Wire(115200), Wire(4800), Wire(2400)):
            found = ask_line(port.port, wire, unescape(request), self._clock, self._opener)
            if found.heard.kind == "lines":
                self._talk.say(f"  It answers at {wire}:  {found.heard.example}")
                return self._lines(port, found, "lines_asked", {"request": request})
            if not wire.keys(port.port):
                break
        self._talk.say("  No line of numbers came back.")
        return None

    def _lines(
        self, port: PortToWire, found: Found, driver: str, more: dict[str, object] | None = None
    ) -> Instrument | None:
        reading = choose(self._talk, found.heard.readings)
        fields = reading.fields
        channels: list[Channel] = []
        names = [""] * len(fields)
        self._show_choices()
        newest = found.data
        seen: set[str] = set()

        def look(name: str) -> list[float]:
            nonlocal newest
            if name in seen:
                request = str((more or {}).get("request", ""))
                now = again(self._talk, port.port, found.wire, driver, request, self._clock, self._opener)
                newest = now or newest
            seen.add(name)
            samples = read(reading, [field.name for field in fields], newest)
            return [sample.value for sample in samples if sample.channel == name]

        for i, field in enumerate(fields):
            digit = float(f"1e-{field.decimals}") if field.decimals else 0.0
            taken = self._taken | {channel.name for channel in channels}
            answer = ask_channel(self._talk, field.name, partial(look, field.name), field.unit, digit, taken)
            if answer is not None:
                names[i] = answer[0]
                channels.append(Channel(*answer))
        if not channels:
            return None
        keys = {"driver": driver, "port": port.write, **found.wire.keys(port.port), **(more or {})}
        keys |= parser_settings(reading, names)
        if driver == "lines_asked" and not {"test_pressure", "meter_pressure", "lift"} & set(names):
            keys |= {"every_s": 2.0, "silent_after_s": 8.0}  # the weather is slow
        if driver == "lines_streamed" and agreed(self._talk, "\nHas it a data button too?", proposed=False):
            keys |= button(self._talk, port.port, found.wire, reading, names, self._clock, self._opener)
        return Instrument(self._name(channels), f"Sends lines such as  {found.heard.example}", keys, tuple(channels))

    def _show_choices(self) -> None:
        if not self._shown:
            self._talk.say(f"\n{choices()}")
        self._shown = True

    # ------------------------------------------------------------ SCPI and Modbus

    def _scpi(self, port: PortToWire, answered: asking.Answered) -> Instrument | None:
        self._talk.say(f"  {answered.identity}, at {answered.wire}")
        keys: dict[str, object] = {"driver": "scpi", "port": port.write, **answered.wire.keys(port.port)}
        keys["identity"] = asking.model_of(answered.identity)
        channels = scpi_channels(self._talk, port.port, answered.wire, self._clock, self._opener, self._taken)
        if not channels:
            return None
        return Instrument(self._name(channels), f"Answers as {answered.identity}", keys, tuple(channels))

    def _modbus(self, port: PortToWire, answered: asking.Answered) -> Instrument | None:
        units = ", ".join(map(str, answered.units))
        self._talk.say(f"  Modbus RTU at {answered.wire}, device {units}")
        # parity is even and the speed 19200 unless the file says otherwise
        wire = answered.wire.keys(port.port)
        keys = {"driver": "modbus_rtu", "port": port.write, **wire}
        if wire:
            keys["parity"] = answered.wire.parity
        channels = modbus_channels(self._talk, port.port, answered, self._clock, self._opener, self._taken)
        if not channels:
            return None
        return Instrument(self._name(channels), f"Modbus RTU, device {units}.", keys, tuple(channels))

    def _name(self, channels: Sequence[Channel]) -> str:
        kinds = {channel.name for channel in channels}
        if kinds == {"lift"}:
            name = "lift_indicator"
        elif kinds <= {"test_pressure", "meter_pressure", "lift"}:
            name = "front_end"
        else:
            name = "room_air" if any(kind.startswith("room") for kind in kinds) else "instrument"
        unique, n = name, 2
        while unique in self._names:
            unique, n = f"{name}_{n}", n + 1
        self._names.add(unique)
        return unique


def _not_empty(answer: str) -> str:
    if not answer:
        raise ValueError("Give it a name.")
    return answer


def _request(answer: str) -> str:
    unescape(answer)
    return answer
