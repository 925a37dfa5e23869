import re
from itertools import combinations
from typing import get_args

import pytest
from rich.color import Color, ColorSystem
from syrupy.assertion import SnapshotAssertion
from textual.theme import Theme

from acquire.client import Lost
from acquire.records import Situation, Wants
from acquire.ui.look import GLYPHS, TONES, flow_out, lift_out, pressure_out
from acquire.ui.screens.bench import BenchScreen
from acquire.ui.show import strips
from acquire.ui.themes import DAYLIGHT, NIGHT
from acquire.ui.words import MISSING_WORDS, brief, figure, half_width
from acquire.values import Missing, Standing
from tests.ui.fake import IN, SUMMARY, TARGET_PA, ended_view, frame, pull_view, reading, request
from tests.ui.helpers import Stand, stand
from tests.ui.test_company import DOUBTED, MINE

THEMES = (NIGHT, DAYLIGHT)
HOLD = frame(pull=pull_view(3), lift_in=0.4, flow_cfm=214.7, wants=Wants(lift_m=0.4 * IN, test_pressure_pa=TARGET_PA))

# Machado, Oliveira, Fernandes, "A Physiologically-based Model for Simulation of Color Vision Deficiency" (2009),
# severity 1.0, linear RGB; matrices from memory
VISION = {
    "normal": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "protan": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deutan": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritan": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}


def linear(colour: str) -> tuple[float, ...]:
    parts = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return tuple(c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)


def contrast(one: str, other: str) -> float:
    """Contrast ratio of W3C WCAG 2.2, "relative luminance"."""
    lights = sorted(
        sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear(its), strict=True)) for its in (one, other)
    )
    return (lights[1] + 0.05) / (lights[0] + 0.05)


def lab(rgb: tuple[float, ...]) -> tuple[float, float, float]:
    """CIE 1976 L*a*b* of linear sRGB, white D65."""
    rows = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))
    white = (0.9505, 1.0, 1.089)
    xyz = [max(0.0, sum(a * b for a, b in zip(row, rgb, strict=True))) / w for row, w in zip(rows, white, strict=True)]
    x, y, z = (t ** (1 / 3) if t > 216 / 24389 else (24389 / 27 * t + 16) / 116 for t in xyz)
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


def test_the_contrast_ratio_is_that_of_the_standard() -> None:
    # WCAG 2.2: black on white is 21:1
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
def test_every_text_has_the_contrast_that_wcag_asks_for(theme: Theme) -> None:
    v = theme.variables
    pairs = [
        (v[name], ground) for name in ("good", "act", "bad", "faint") for ground in (theme.background, theme.panel)
    ]
    pairs += [(v["on-good"], v["good"]), (v["on-act"], v["act-fill"]), (v["on-bad"], v["bad"])]
    for text, ground in pairs:
        assert ground is not None
        assert contrast(text, ground) >= 4.5, (text, ground)


@pytest.mark.parametrize("vision", list(VISION))
@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
def test_colour_blind_eyes_tell_the_states_apart(theme: Theme, vision: str) -> None:
    seen = {}
    for name in ("good", "act", "act-fill", "bad", "faint"):
        rgb = linear(theme.variables[name])
        eye = tuple(min(1.0, max(0.0, sum(a * b for a, b in zip(row, rgb, strict=True)))) for row in VISION[vision])
        seen[name] = lab(eye)
    for one, other in combinations(seen, 2):
        if {one, other} == {"act", "act-fill"}:
            continue  # one state: as text and as a ground
        apart = sum((a - b) ** 2 for a, b in zip(seen[one], seen[other], strict=True)) ** 0.5
        # a difference of 10 is plain at a glance (common practice, no source)
        assert apart > (15 if "faint" in (one, other) else 20), (one, other)


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
def test_sixteen_colours_keep_states_and_texts_apart(theme: Theme) -> None:
    def sixteen(colour: str | None) -> int | None:
        assert colour is not None
        return Color.parse(colour).downgrade(ColorSystem.STANDARD).number

    v = theme.variables
    assert len({sixteen(v[name]) for name in ("good", "act", "bad", "faint")} | {sixteen(theme.background)}) == 5
    for text, ground in (("on-good", "good"), ("on-act", "act-fill"), ("on-bad", "bad")):
        assert sixteen(v[text]) != sixteen(v[ground])


def test_every_situation_has_a_tone_and_a_shape_and_every_reason_words() -> None:
    assert set(TONES) == set(get_args(Situation))
    assert set(MISSING_WORDS) == set(get_args(Missing))
    assert len(set(GLYPHS.values())) == len(GLYPHS)


def test_figures_have_the_digits_that_mean_something() -> None:
    assert figure(0.3 * IN, "in", SUMMARY) == "0.300"
    assert figure(TARGET_PA, "inH2O", SUMMARY) == "28.00"
    assert figure(-1e-9, "in", SUMMARY) == "0.000"
    # 1 cfm = 4.719474432e-4 m3/s exactly (NIST SP 811 B.8: ft3/min)
    assert figure(0.1, "cfm", SUMMARY) == "211.9"
    assert half_width(0.02 * 4.719474432e-4, "cfm", SUMMARY) == "0.02"


@pytest.mark.parametrize(
    ("standing", "word"),
    [
        (Standing("moving", ("lift",)), "moving"),
        (Standing("waiting", ("signal",)), "waiting"),
        (Standing("stuck", ("hunting",)), "will not settle"),
        (Standing("settled", (), 0.0, 0.01), "settled to 1.8"),
    ],
)
def test_the_flow_says_where_the_judgement_stands(standing: Standing, word: str) -> None:
    assert flow_out(frame(pull=pull_view(2), standing=standing, flow_cfm=176.2), SUMMARY).word == word


def test_a_flow_is_not_said_to_move_while_the_pressure_is_still_asked_for() -> None:
    its = frame(pull=pull_view(2), situation="raise_pressure", standing=Standing("moving", ("test pressure",)))
    assert flow_out(its, SUMMARY).word == "waiting"


@pytest.mark.parametrize(
    "happened",
    [
        " has sent nothing for 2 s: check its power, cable and baud rate",
        " has sent no usable line for 2 s, though 40 bytes came",
        " is back",
        ": lift is back",
        ": the port is open",
    ],
)
def test_a_notice_leaves_out_the_path_of_a_port_whatever_happened_there(happened: str) -> None:
    path = "/dev/serial/by-id/usb-1a86_USB_Serial-if00-port0"
    assert brief(f"lift_indicator on {path}{happened}") == f"lift_indicator{happened}"
    assert brief(f"lift_indicator on COM7{happened}") == f"lift_indicator on COM7{happened}"


def test_where_no_pressure_carries_a_flow_the_dash_says_so() -> None:
    its = frame(pull=pull_view(2), flow_cfm=None).model_copy(update={"no_flow": "no pressure"})
    out = flow_out(its, SUMMARY)
    assert (out.figure, out.word) == ("", "no pressure")


def test_what_was_never_heard_is_not_called_lost() -> None:
    never = frame(pull=pull_view(2), readings={"lift": reading(None, "m", "stale")})
    gone = frame(pull=pull_view(2), readings={"lift": reading(None, "m", "lost")})
    assert (lift_out(never, SUMMARY).word, lift_out(never, SUMMARY).figure) == ("no reading yet", "")
    assert lift_out(gone, SUMMARY).word == "LOST"


def test_at_the_edge_of_its_band_the_pressure_says_what_the_sentence_says() -> None:
    wants = Wants(lift_m=0.3 * IN, test_pressure_pa=TARGET_PA)
    holding = frame(pull=pull_view(2), pressure_inh2o=28.53, wants=wants)
    asked = frame(pull=pull_view(2), pressure_inh2o=28.53, wants=wants, situation="lower_pressure")
    assert pressure_out(holding, SUMMARY).word == "in the band"
    assert (pressure_out(asked, SUMMARY).word, pressure_out(asked, SUMMARY).shape) == ("high by 0.53", "▼")


def test_number_and_strip_are_held_against_the_band_of_this_run() -> None:
    # a leakage run's is a quarter of the bench's usual
    its = frame(pull=pull_view(2), pressure_inh2o=28.2, wants=Wants(lift_m=0.3 * IN, test_pressure_pa=TARGET_PA))
    narrow = its.model_copy(update={"guide": its.guide.model_copy(update={"test_pressure_band_pa": 0.005 * TARGET_PA})})
    assert pressure_out(its, SUMMARY).word == "in the band"
    assert strips(its, SUMMARY)[0].band == pytest.approx(0.02 * 28)
    assert pressure_out(narrow, SUMMARY).word == "high by 0.20"
    assert strips(narrow, SUMMARY)[0].band == pytest.approx(0.005 * 28)


async def test_one_key_switches_to_daylight_and_back() -> None:
    async with stand(first=HOLD) as its:
        dark = its.app.screen.styles.background
        await its.press("d")
        assert its.app.theme == "daylight"
        await its.until(lambda: its.app.screen.styles.background != dark, "another background")
        await its.press("d")
        assert its.app.theme == "night"


async def test_without_colour_every_state_still_has_its_word_and_shape(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    async with stand(first=HOLD) as its:
        assert its.app.no_color
        for words in ("● at the step", "● in the band", "◐ settling ", "■"):
            assert words in its.text()
        strips = its.app.screen._compositor.render_strips()
        styles = [segment.style for strip in strips for segment in strip if segment.style is not None]
        colours = [its.color.triplet for its in styles if its.color is not None and its.color.triplet is not None]
        assert colours
        assert all(its.red == its.green == its.blue for its in colours)
        # trouble is reversed to black on white, which a terminal of 16 greys keeps apart
        v = its.app.theme_variables
        assert (v["bad"], v["on-bad"], v["act-fill"], v["on-act"]) == ("#f0f0f0", "#000000", "#f0f0f0", "#000000")


SNAPSHOTS = {
    "hold": HOLD,
    "open": frame(pull=pull_view(3), situation="open_valve", sentence="Open the valve to 0.400 in: 0.100 more.",
                  standing=Standing("moving", ("lift",)), wants=Wants(lift_m=0.4 * IN, test_pressure_pa=TARGET_PA)),
    "verdict": frame(pull=ended_view(), situation="ended", sentence="Pull complete. Zeros and test pressure held."),
    "idle": frame(pressure_inh2o=0.0, lift_in=0.0),
    "zeros": frame(pull=pull_view(None, 0, phase="zero_before"), situation="stop_blower", pressure_inh2o=27.8,
                   lift_in=0.0, flow_cfm=None, wants=Wants(lift_m=0.0, test_pressure_pa=0.0),
                   sentence="Stop the blower to read the zeros: test pressure reads 27.8 inH2O."),
    "silent": frame(pull=pull_view(3), situation="signal_lost", standing=Standing("waiting", ("signal",)),
                    sentence="Lift indicator silent for 4 s: check its cable.",
                    readings={"lift": reading(0.3 * IN, "m", "stale", 4.0)}, wants=HOLD.guide.wants),
    "out of line": HOLD,
    "watching": HOLD.model_copy(update={"commander_id": "other-12345", "commander": "office"}),
}  # fmt: skip


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (160, 50)], ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize("scene", list(SNAPSHOTS))
async def test_the_screen_looks_as_it_did(scene: str, size: tuple[int, int], snapshot: SnapshotAssertion) -> None:
    besides = {None: DOUBTED} if scene == "out of line" else {}
    async with stand(size, SNAPSHOTS[scene], besides=besides, screen=MINE) as its:
        if besides:
            await its.sees("takes it again", "⠒ ⠒ pull 7")
        night, shades = its.text(), shaded(its)
        await its.press("d")
        assert its.app.theme == "daylight"
        assert its.text() == night  # daylight changes colours, not a single sign
        await its.until(lambda: shaded(its) == shades, f"the same meaning of every colour as by night: {shades}")
        assert isinstance(its.app.screen, BenchScreen)
        assert night == snapshot
        assert shades == snapshot(name="colours")


def shaded(its: Stand) -> str:
    """What stands out by colour, row by row, each with the meaning of its colour in the theme that is on."""
    v, theme = its.app.theme_variables, its.app.current_theme
    fills = {v["good"]: "on good", v["act-fill"]: "on act", v["bad"]: "on bad"}
    texts = {v[name]: name for name in ("good", "act", "bad", "faint", "rule")}
    rows: list[str] = []
    for strip in its.app.screen._compositor.render_strips():
        runs: list[list[str]] = []
        for segment in strip:
            style = segment.style
            if style is None or style.color is None or style.bgcolor is None or not segment.text.strip():
                continue
            fore, back = style.color.get_truecolor().hex, style.bgcolor.get_truecolor().hex
            assert back in fills or back in (theme.background, theme.panel), (segment.text, back)
            name = fills.get(back) or texts.get(fore, "")
            assert name or fore == theme.foreground, (segment.text, fore)
            # how a figure or a curve is drawn is seen in the text
            text = re.sub(r"(?:[^\w\s.,:;+()±%?!/'-]+\s*)+", "# ", " ".join(segment.text.split())).strip()
            if runs and runs[-1][0] == name:
                runs[-1][1] += f" {text}"
            else:
                runs.append([name, text])
        row = "  ".join(f"{name}: {text}" for name, text in runs if name not in ("", "rule"))
        rows += [row] if row and row not in rows[-1:] else []
    return "\n".join(rows)


DRAWN = set("─▏│┄└┌┤▒░▂▅ ")


def painted(its: Stand) -> set[tuple[str, str, str]]:
    """Text, colour and ground of everything on the screen that is to be read."""
    found = set()
    for strip in its.app.screen._compositor.render_strips():
        for segment in strip:
            style = segment.style
            if style is None or style.color is None or style.bgcolor is None or set(segment.text) <= DRAWN:
                continue
            fore, back = style.color.get_truecolor().hex, style.bgcolor.get_truecolor().hex
            found.add((segment.text, fore, back))
    return found


@pytest.mark.parametrize("scene", ["verdict", "silent", "out of line", "watching"])
async def test_everything_that_is_painted_can_be_read_in_both_themes(scene: str) -> None:
    besides = {None: DOUBTED} if scene == "out of line" else {}
    async with stand((100, 30), SNAPSHOTS[scene], besides=besides, screen=MINE) as its:
        for theme in ("night", "daylight"):
            assert its.app.theme == theme
            found = painted(its)
            assert len({(fore, back) for _, fore, back in found}) >= 4
            for text, fore, back in found:
                assert contrast(fore, back) >= 4.5, (theme, text)
            await its.press("d")
            its.app.tick()
            await its.pilot.pause()


async def test_every_other_screen_can_be_read_in_both_themes() -> None:
    async with stand((100, 30), HOLD, last=request()) as its:

        async def readable(what: str, *themes: str) -> None:
            for theme in themes or ("daylight", "night"):
                its.app.theme = theme
                its.app.tick()
                await its.pilot.pause()
                for text, fore, back in painted(its):
                    assert contrast(fore, back) >= 4.5, (what, theme, text, fore, back)

        for key, what in (("question_mark", "help"), ("m", "a list"), ("x", "a question")):
            await its.press(key)
            await readable(what)
            await its.press("escape")
        await its.show(frame(1.0))
        await its.press("n")
        await its.sees("Intake valve diameter     in")
        await readable("the form")
        await its.press("f2", "f4")
        await its.sees("Every pull belongs to a head", "Keep this set-up")
        its.bench.play(Lost("gone"))
        await its.sees("No word from the bench")
        await readable("a name over a form with a fault, with the daemon lost", "night")
