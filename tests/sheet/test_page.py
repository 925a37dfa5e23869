"""The page itself: one page always, the same bytes every time, the points inside it."""

import hashlib
import re
import struct
import subprocess
import sys
import zlib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.records import ArchivedPull
from acquire.sheet import Paper, SheetError, make_sheet, write_sheet
from acquire.sheet.data import arrange, units_of_sheet
from acquire.sheet.points_csv import points_csv
from acquire.sheet.typeset import FOLDER, printable
from tests.sheet import example

LONG = "A long remark with many words that goes on and on about seats, guides, bowls and the weather. " * 20
WILD = (
    '#panic("x") *bold* $a^2$ <label> @ref `raw` // gone \\ "quote" \N{CJK UNIFIED IDEOGRAPH-6F22}\N{GRINNING FACE}\t\n'
)
TWENTY = [0.04 * (n + 1) for n in range(20)]


def _spoilt(pull: ArchivedPull) -> ArchivedPull:
    points = [replace(p, settled=False, taken_by="hand", hold=replace(p.hold, held=False)) for p in pull.points[:-1]]
    return example.shifted(replace(pull, points=tuple(points), outcome="aborted", leakage=None, zeros_after=None))


def _wordy(direction: str, text: str) -> ArchivedPull:
    subject = dict.fromkeys(("model", "port", "order_reference"), text[:200]) | {
        "identifier": "W" * 80,
        "remarks": text[:2000],
    }
    setup = dict.fromkeys(("inlet_treatment", "outlet_treatment", "springs"), text[:200]) | {"remarks": text[:2000]}
    config = example.bench(shop=dict.fromkeys(("name", "address", "contact"), text), name=text)
    made = example.pull(
        "intake" if direction == "intake" else "exhaust",
        TWENTY,
        subject_changes=subject,
        setup_changes=setup,
        config=config,
        sources={name: f"sim://{name * 5}" for name in example.SOURCES},
    )
    return _spoilt(made)


METRIC = example.bench(display={"pressure": "kPa", "lift": "mm", "flow": "m3/h", "temperature": "F"})
NO_VALVES = {"intake_valve_diameter": None, "exhaust_valve_diameter": None}
SMALL = {"intake_valve_diameter": "0.6 in", "exhaust_valve_diameter": "0.5 in"}
SCENES: dict[str, list[ArchivedPull]] = {
    "both directions": [example.pull(), example.pull("exhaust")],
    "exhaust alone": [example.pull("exhaust")],
    "metric": [example.pull(config=METRIC), example.pull("exhaust", config=METRIC)],
    "no valve diameters": [example.pull(subject_changes=NO_VALVES), example.pull("exhaust", subject_changes=NO_VALVES)],
    "coefficients in doubt": [example.pull(subject_changes=SMALL), example.pull("exhaust", subject_changes=SMALL)],
    "one lift": [example.pull(lifts_in=(0.3,))],
    "twenty lifts": [example.pull(lifts_in=TWENTY), example.pull("exhaust", lifts_in=TWENTY)],
    "everything at once": [_wordy("intake", LONG), _wordy("exhaust", LONG[::-1])],
    "one long word": [_wordy("intake", "x" * 2000), _wordy("exhaust", "MW" * 1000)],
    "markup and strange characters": [_wordy("intake", WILD * 12)],
}


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
@pytest.mark.parametrize("scene", SCENES)
def test_whatever_is_printed_is_one_page(scene: str, paper: Paper) -> None:
    sheet = make_sheet(SCENES[scene], paper)
    assert sheet.pdf.startswith(b"%PDF-")
    assert len(re.findall(rb"/Type\s*/Page\b", sheet.pdf + b"".join(_streams(sheet.pdf)))) == 1
    width, height = struct.unpack(">II", sheet.png(50)[16:24])  # of the header of a PNG; more pages raise
    millimetres = {"a4": (210, 297), "us-letter": (215.9, 279.4)}[paper]
    assert (width, height) == pytest.approx([side / 25.4 * 50 for side in millimetres], abs=1)


def test_more_lifts_than_a_page_holds_are_refused_in_one_sentence() -> None:
    many = [0.01 * (n + 1) for n in range(60)]
    with pytest.raises(SheetError, match="60 lifts are more than one page holds") as refused:
        make_sheet([example.pull(lifts_in=many)])
    assert "\n" not in str(refused.value)


def test_the_bytes_are_the_same_in_another_process() -> None:
    program = (
        "import hashlib; from tests.sheet import example; from acquire.sheet import make_sheet;"
        "s = make_sheet([example.pull(), example.pull('exhaust')]);"
        "print(hashlib.sha256(s.pdf).hexdigest(), hashlib.sha256(s.png()).hexdigest())"
    )
    root = Path(__file__).parents[2]
    other = subprocess.run([sys.executable, "-c", program], cwd=root, capture_output=True, text=True, check=True)
    sheet = make_sheet([example.pull("exhaust"), example.pull()])
    here = [hashlib.sha256(made).hexdigest() for made in (sheet.pdf, sheet.png())]
    assert other.stdout.split() == here


def _streams(pdf: bytes) -> list[bytes]:
    """Every stream of a PDF, unpacked where it is packed."""
    found = []
    for match in re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.DOTALL):
        try:
            found.append(zlib.decompress(match.group(1)))
        except zlib.error:
            found.append(match.group(1))
    return found


def test_the_points_are_inside_the_pdf_as_csv() -> None:
    pulls = arrange([example.pull(), example.pull("exhaust")])
    expected = points_csv(pulls, units_of_sheet(pulls))
    pdf = make_sheet(pulls).pdf
    assert expected in _streams(pdf)
    assert b"points.csv" in pdf + b"".join(_streams(pdf))


def test_the_pdf_declares_the_archival_form_and_the_pull_s_own_date() -> None:
    pdf = make_sheet([example.pull()]).pdf
    whole = pdf + b"".join(_streams(pdf))
    assert b"<pdfaid:part>3</pdfaid:part>" in whole
    assert b"2026-11-14T09:12:44" in whole


def test_only_the_bundled_font_is_used() -> None:
    pdf = make_sheet([example.pull()]).pdf
    fonts = set(re.findall(rb"/BaseFont\s*/([\w+-]+)", pdf + b"".join(_streams(pdf))))
    assert fonts
    assert all(b"SourceSans3" in font for font in fonts)
    assert (FOLDER / "fonts" / "OFL.txt").read_text(encoding="utf-8").count("SIL OPEN FONT LICENSE") >= 1


@given(st.text(max_size=60))
def test_any_text_becomes_printable_and_known_letters_stay(text: str) -> None:
    made = printable(text)
    assert printable(made) == made
    assert printable("Zylinderköpfe Ø 44,5 ± 0,1 µm – №7 «а»") == "Zylinderköpfe Ø 44,5 ± 0,1 µm – №7 «а»"


def test_letters_that_the_font_lacks_are_visible_as_question_marks() -> None:
    assert printable({"a": ["x\N{CJK UNIFIED IDEOGRAPH-6F22}y\tz"]}) == {"a": ["x?y z"]}


@pytest.mark.parametrize(("suffix", "start"), [(".pdf", b"%PDF-"), (".png", b"\x89PNG")])
def test_the_suffix_says_what_is_written(tmp_path: Path, suffix: str, start: bytes) -> None:
    path = tmp_path / f"sheet{suffix}"
    write_sheet([example.pull()], path)
    assert path.read_bytes().startswith(start)


def test_another_suffix_or_a_missing_folder_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match=r"neither in \.pdf nor in \.png"):
        write_sheet([example.pull()], tmp_path / "sheet.docx")
    with pytest.raises(SheetError, match="cannot be written"):
        write_sheet([example.pull()], tmp_path / "nowhere" / "sheet.pdf")
