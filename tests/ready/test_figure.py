"""The picture of a check: what it shows, and where it refuses to be written."""

from pathlib import Path

import pytest

from acquire.ready.plate import plate_series
from acquire.ready.record import Readiness, ReadyLine
from acquire.sheet import SheetError
from acquire.sheet.ready_figure import draw_ready, write_ready_figure
from tests.ready.example import BENCH, NOW, PLATE, plate_pull, seen

AREA = 600e-6
SERIES = plate_series([plate_pull(day, [AREA * (1 + 1e-4 * (day % 3))]) for day in range(1, 12)], PLATE, None, True)
RECORD = Readiness(
    made_utc=NOW,
    ready=False,
    lines=(ReadyLine(name="leakage, intake", verdict="bad", said="not measured"),),
    watched=seen().watched,
    simulated=True,
)


def test_the_picture_has_the_watched_channels_both_charts_of_the_plate_and_what_is_not_good() -> None:
    figure = draw_ready(RECORD, SERIES, BENCH)
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert titles == [
        "test pressure, inH2O",
        "meter pressure, inH2O",
        "meter temperature, change, K",
        "reference plate, intake, 28 inH2O, range large: cfm",
        "step from run to run",
    ]
    said = " ".join(text.get_text() for text in figure.texts)
    assert "NOT READY" in said
    assert "SIMULATED" in said
    assert "not good: leakage, intake" in said
    assert len(figure.axes[3].lines[0].get_xdata()) == 11


def test_a_check_without_a_plate_is_drawn_too(tmp_path: Path) -> None:
    write_ready_figure(RECORD, [], BENCH, tmp_path / "ready.png")
    assert (tmp_path / "ready.png").read_bytes().startswith(b"\x89PNG")


def test_another_suffix_or_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match=r"does not end in \.png"):
        write_ready_figure(RECORD, [], BENCH, tmp_path / "ready.pdf")
    with pytest.raises(SheetError, match="cannot be written"):
        write_ready_figure(RECORD, [], BENCH, tmp_path / "nowhere" / "ready.png")
