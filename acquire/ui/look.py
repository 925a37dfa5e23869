"""From a frame to what each read-out shows: number, state, word and shape. Pure."""

from dataclasses import dataclass, replace
from typing import Literal

from acquire.flow.convention import flow_unit_said
from acquire.lifts import inside
from acquire.records import BenchSummary, Frame, Reading, Situation
from acquire.ui.words import MISSING_WORDS, age, figure, half_width, source_word
from acquire.values import PullView, Step

Look = Literal["live", "off", "settling", "settled", "stale", "lost"]
Tone = Literal["rest", "move", "hold", "trouble", "taken"]

GLYPHS: dict[Look, str] = {"live": "○", "off": "◇", "settling": "◐", "settled": "●", "stale": "▒", "lost": "×"}
TONES: dict[Situation, tuple[Tone, str]] = {
    "no_pull": ("rest", "·"),
    "signal_lost": ("trouble", "!"),
    "archive_failed": ("trouble", "!"),
    "close_valve": ("move", "▼"),
    "stop_blower": ("move", "▼"),
    "hold_zero": ("hold", "■"),
    "wrong_range": ("trouble", "!"),
    "open_valve": ("move", "▲"),
    "close_down": ("move", "▼"),
    "raise_pressure": ("move", "▲"),
    "lower_pressure": ("move", "▼"),
    "hold_moving": ("hold", "■"),
    "hold_settling": ("hold", "■"),
    "stuck": ("trouble", "!"),
    "type_value": ("move", "▶"),
    "taken": ("taken", "✔"),
    "paused": ("rest", "‖"),
    "ended": ("rest", "✔"),
    "aborted": ("rest", "×"),
}
# what keeps the reading back is said in these; the others ask for something else first
HOLDING: frozenset[Situation] = frozenset({"hold_moving", "hold_settling"})
LIFT_IN_HAND: frozenset[Situation] = frozenset({"open_valve", "close_down", "close_valve"})
PRESSURE_IN_HAND: frozenset[Situation] = frozenset({"raise_pressure", "lower_pressure", "stop_blower"})


@dataclass(frozen=True, slots=True)
class ReadOut:
    """One of the big numbers. ``figure`` is empty when there is none to show."""

    label: str
    unit: str
    figure: str
    look: Look
    word: str
    age: str = ""
    target: str = ""
    origin: str = ""
    in_hand: bool = False
    shape: str = ""

    @property
    def glyph(self) -> str:
        """The shape of the state, for eyes and screens without colour."""
        return self.shape or GLYPHS[self.look]

    def left_over(self) -> "ReadOut":
        """The same when the daemon is lost: an old number, of unknown age."""
        look: Look = "stale" if self.figure else "lost"
        return replace(self, look=look, word="OLD", age="", in_hand=False, shape="")


def step_now(pull: PullView | None) -> Step | None:
    """The step being measured, if one is."""
    if pull is None or pull.now is None or pull.phase != "steps" or not 0 <= pull.now < len(pull.steps):
        return None
    return pull.steps[pull.now].step


def targets(frame: Frame) -> tuple[float | None, float | None]:
    """Lift and test pressure asked for now, in m and Pa; nothing is asked for once the pull has ended."""
    if frame.pull is not None and frame.pull.outcome is not None:
        return None, None
    wants, step = frame.guide.wants, step_now(frame.pull)
    lift = wants.lift_m if wants.lift_m is not None else (step.lift_m if step else None)
    pressure = wants.test_pressure_pa
    if pressure is None and step:
        pressure = step.test_pressure_pa
    return lift, pressure


def _absent(label: str, unit: str, reading: Reading | None) -> ReadOut | None:
    """The read-out of a channel that cannot be trusted now, None when it can."""
    if reading is None:
        return ReadOut(label, unit, "", "lost", "NO INSTRUMENT")
    origin = source_word(reading.source)
    if reading.typed and reading.value is None:
        return ReadOut(label, unit, "", "live", "to be typed", "", "", origin)
    if reading.state == "lost":
        return ReadOut(label, unit, "", "lost", "LOST", age(reading.age_s), "", origin)
    return None if reading.value is not None else ReadOut(label, unit, "", "lost", "no reading yet", "", "", origin)


def _against(
    label: str, unit: str, reading: Reading | None, target: float | None, band: float, here: str, bench: BenchSummary
) -> ReadOut:
    absent = _absent(label, unit, reading)
    if absent is not None or reading is None or reading.value is None:
        return absent or ReadOut(label, unit, "", "lost", "LOST")
    text, origin = figure(reading.value, unit, bench), source_word(reading.source)
    aim = "" if target is None else figure(target, unit, bench)
    if reading.state == "stale":
        return ReadOut(label, unit, text, "stale", "STALE", age(reading.age_s), aim, origin)
    shown = ReadOut(label, unit, text, "live", "live", age(reading.age_s), aim, origin)
    if target is None:
        return shown
    off = reading.value - target
    if inside(off, band):
        return replace(shown, look="settled", word=here)
    way, shape = ("high", "▼") if off > 0 else ("low", "▲")
    return replace(shown, look="off", word=f"{way} by {figure(abs(off), unit, bench)}", shape=shape)


def bands(frame: Frame, bench: BenchSummary) -> tuple[float, float]:
    """Half the widths of the bands of lift and test pressure that count now, in m and Pa."""
    lift_m, pressure_pa = targets(frame)
    zero, settling = bench.zero, bench.settling
    lift = settling.lift_tolerance_m if lift_m else zero.lift_band_m
    # a leakage run holds a narrower one than the bench's usual
    stated = frame.guide.test_pressure_band_pa if pressure_pa else None
    pressure = settling.test_pressure_band * (pressure_pa or 0.0) if stated is None else stated
    return lift, pressure or zero.pressure_band_pa


def pressure_out(frame: Frame, bench: BenchSummary) -> ReadOut:
    """The test pressure against its band."""
    target, band = targets(frame)[1], bands(frame, bench)[1]
    reading, in_hand = frame.readings.get("test_pressure"), frame.guide.situation in PRESSURE_IN_HAND
    if in_hand and target:
        # at its very edge too it is said by how much
        band = 0.0
    here = "in the band" if target else "at zero"
    out = _against("TEST PRESSURE", bench.display.pressure, reading, target, band, here, bench)
    return replace(out, in_hand=in_hand)


def lift_out(frame: Frame, bench: BenchSummary) -> ReadOut:
    """The valve lift against the step."""
    target, reading = targets(frame)[0], frame.readings.get("lift")
    here = "at the step" if target else "at zero"
    out = _against("VALVE LIFT", bench.display.lift, reading, target, bands(frame, bench)[0], here, bench)
    return replace(out, in_hand=frame.guide.situation in LIFT_IN_HAND)


def flow_out(frame: Frame, bench: BenchSummary) -> ReadOut:
    """The flow and whether it has settled; as old as the oldest pressure it comes from."""
    label, unit = flow_unit_said("FLOW", bench.reference.convention), bench.display.flow
    parts = [frame.readings.get(name) for name in ("test_pressure", "meter_pressure")]
    for part in parts:
        absent = _absent(label, unit, part)
        if absent is not None:
            return absent
    known = [part for part in parts if part is not None]
    oldest = max((part.age_s or 0.0 for part in known), default=0.0)
    origin = next((name for part in known if (name := source_word(part.source))), "")
    stale = any(part.state == "stale" for part in known)
    if frame.flow_m3_s is None and stale:
        return ReadOut(label, unit, "", "stale", "STALE", age(oldest), "", origin)
    if frame.flow_m3_s is None:
        in_step = step_now(frame.pull) is not None
        word = frame.no_flow or ("no figure yet" if in_step else _why_none(frame.pull))
        return ReadOut(label, unit, "", "live", word, age(oldest), "", origin)
    text = figure(frame.flow_m3_s, unit, bench)
    if stale:
        return ReadOut(label, unit, text, "stale", "STALE", age(oldest), "", origin)
    look, word = _standing(frame, bench)
    return ReadOut(label, unit, text, look, word, age(oldest), "", origin)


def _standing(frame: Frame, bench: BenchSummary) -> tuple[Look, str]:
    standing = frame.standing
    if step_now(frame.pull) is None:
        return "live", "live"
    if standing.state == "settled":
        width = standing.half_width_rel
        if width is None or frame.flow_m3_s is None:
            return "settled", "settled"
        # its scatter alone: ± is kept for the whole interval of a point
        return "settled", f"settled to {half_width(width * abs(frame.flow_m3_s), bench.display.flow, bench)}"
    if standing.state == "moving":
        # where lift or pressure is asked for first, nothing need be moving
        return "off", "moving" if frame.guide.situation in HOLDING else "waiting"
    if standing.state == "stuck":
        return "off", "will not settle"
    # how long still is said in the sentence at the top, and only there: two counts that run apart would mislead
    return "settling", "settling" if standing.state == "settling" else "waiting"


def _why_none(pull: PullView | None) -> str:
    if pull is None or pull.outcome is not None:
        return "no pull"
    return "zeros first" if pull.phase == "zero_before" else "zeros once more"


def why_not(frame: Frame) -> str:
    """What else keeps the reading from being settled, in a few words: the sentence has named the first thing."""
    if step_now(frame.pull) is None or frame.guide.situation not in HOLDING:
        return ""
    return ", ".join(MISSING_WORDS[missing] for missing in frame.standing.missing[1:])


def unreal(frame: Frame) -> str:
    """The banner when values come from no instrument, else nothing."""
    found: dict[str, list[str]] = {}
    for channel, reading in frame.readings.items():
        if word := source_word(reading.source):
            found.setdefault(word, []).append(channel.replace("_", " "))
    if not found:
        return ""
    if set(found) == {"SIMULATED"} and len(found["SIMULATED"]) == len(frame.readings):
        return "SIMULATED: no number on this screen comes from an instrument"
    return "; ".join(f"{word}: {', '.join(channels)}" for word, channels in found.items())
