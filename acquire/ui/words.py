"""Numbers, units and states as the operator reads them."""

import re
from datetime import datetime

from acquire.beside.shadow import Doubt, Shadow
from acquire.records import BenchSummary
from acquire.units import Kind, from_si, kind_of, parse_quantity, to_si
from acquire.values import Missing, PullKind, PullView

DECIMALS = {
    "inH2O": 2, "inHg": 3, "psi": 3, "kPa": 3, "mbar": 1, "hPa": 1, "Pa": 0, "mmHg": 1, "bar": 4,
    "in": 3, "mm": 2, "cm": 3, "thou": 0, "ft": 4, "m": 5,
    "cfm": 1, "l/s": 1, "l/min": 0, "m3/h": 1, "m3/s": 4,
    "cc": 1, "in3": 2,
    "C": 1, "F": 1, "K": 1, "%RH": 0,
}  # fmt: skip

MISSING_WORDS: dict[Missing, str] = {
    "lift": "lift not yet still",
    "test pressure": "pressure not yet still",
    "drift": "flow still settling",
    "noise": "averaging unsteady flow",
    "hunting": "pressure not yet still",
    "readings": "collecting readings",
    "frozen": "a sensor is frozen",
    "signal": "no signal",
}

KIND_WORDS: dict[PullKind, str] = {"lift": "lift pull", "leakage": "leakage run", "plate": "reference plate"}


def decimals(unit: str) -> int:
    """Digits after the point that mean something in this unit."""
    return DECIMALS.get(unit.partition("@")[0], 3)


def figure(value_si: float, unit: str, bench: BenchSummary, extra: int = 0) -> str:
    """The bare number in ``unit``, with the digits that mean something."""
    digits = decimals(unit) + extra
    text = f"{from_si(value_si, unit, bench.water):.{digits}f}"
    # "-0.00" is a zero whose sign is noise
    return text.removeprefix("-") if float(text) == 0 else text


def quantity(value_si: float, unit: str, bench: BenchSummary) -> str:
    """The number with its unit."""
    return f"{figure(value_si, unit, bench)} {unit}"


def half_width(value_si: float, unit: str, bench: BenchSummary) -> str:
    """A 95 % half-width; one more digit where the usual ones would say zero."""
    text = figure(value_si, unit, bench)
    return text if float(text) else figure(value_si, unit, bench, 1)


_OTHERS: dict[Kind, tuple[str, ...]] = {"length": ("in", "mm"), "pressure": ("inH2O", "Pa"), "volume": ("cc",)}


def exact(value_si: float, unit: str, bench: BenchSummary) -> str:
    """A quantity as typed in a form: the same number again when it is read."""
    return exact_list((value_si,), unit, bench)


def exact_list(values_si: tuple[float, ...], unit: str, bench: BenchSummary) -> str:
    """Several quantities with the unit once, in the first unit that writes all of them short and exact."""
    for name in (unit, *_OTHERS.get(kind_of(unit), ())):
        texts = [f"{from_si(value, name, bench.water):.5g}" for value in values_si]
        again = [to_si(float(text), name, bench.water) for text in texts]
        if all(abs(a - b) <= 1e-9 * abs(b) for a, b in zip(again, values_si, strict=True)):
            return f"{' '.join(texts)} {name}"
    return " ".join(f"{from_si(value, unit, bench.water):.10g}" for value in values_si) + f" {unit}"


def read_quantity(text: str, kind: Kind, unit: str, bench: BenchSummary) -> float:
    """A typed quantity in SI; a bare number is taken in ``unit``. Raises ``UnitError``."""
    bare = text.strip().replace(",", ".") if text.count(",") == 1 and "." not in text else text.strip()
    try:
        float(bare)
    except ValueError:
        return parse_quantity(bare, kind, bench.water)
    return parse_quantity(f"{bare} {unit}", kind, bench.water)


def age(seconds: float | None) -> str:
    """How old a reading is; fresh ones say so without a figure that flickers."""
    if seconds is None:
        return ""
    if seconds < 1:
        return "now"
    return f"{seconds:.0f} s old" if seconds < 120 else f"{seconds / 60:.0f} min old"


def local_time(utc: str) -> str:
    """A moment as the clock on the wall has it, to the minute."""
    return datetime.fromisoformat(utc).astimezone().strftime("%Y-%m-%d %H:%M")


def doubted(doubt: Doubt, pull: PullView, shadow: Shadow | None, bench: BenchSummary) -> str:
    """Which point is out of line with what, and by how much."""
    lift_m = pull.steps[doubt.step].step.lift_m if doubt.step < len(pull.steps) else None
    where = f"step {doubt.step + 1}" if lift_m is None else quantity(lift_m, bench.display.lift, bench)
    way = "high" if doubt.off_rel > 0 else "low"
    beside = f"pull {shadow.of.pull_id}" if doubt.beside == "the earlier pull" and shadow is not None else doubt.beside
    return f"{where} is {100 * abs(doubt.off_rel):.1f} % {way} beside {beside}"


def source_word(source: str) -> str:
    """The plain word for a source that is no instrument, else nothing."""
    if source.startswith("sim://"):
        return "SIMULATED"
    return "REPLAYED" if source.startswith("replay://") else ""


def brief(sentence: str) -> str:
    """A notice without the path of a port, an address and the bytes of a line: what happened is what counts here."""
    port = r" on (?=\S*[/\\])[^\s:]{13,}(?=:| has sent | is back$)"
    for aside in (port, r" at https?://[^ ]+:\d+", r"last: .*; (?=since )"):
        sentence = re.sub(aside, "", sentence)
    return sentence


def sentence_of(error: BaseException) -> str:
    """What went wrong, in the error's own sentence."""
    return str(error).strip() or type(error).__name__
