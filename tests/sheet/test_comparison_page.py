"""The comparison page: one page, the same bytes every time, with and without a verdict."""

from pathlib import Path

import pytest

from acquire.comparison.compare import Asked, compare
from acquire.sheet.comparison_page import comparison_data, differences_csv, make_comparison_page, write_comparison_page
from acquire.sheet.data import SheetError
from tests.comparison.test_compare import Known, head

FACTORS = [1.05, 1.04, 1.01, *[1.0] * 5]


def test_a_page_is_made_and_is_the_same_every_time(tmp_path: Path) -> None:
    found = compare([head("N-2", 1, FACTORS)], [head("N-1", 2)], Known(), Asked())
    first = make_comparison_page(found)
    assert first.pdf.startswith(b"%PDF")
    assert first.pdf == make_comparison_page(found).pdf
    write_comparison_page(found, tmp_path / "page.png", ppi=50)
    assert (tmp_path / "page.png").read_bytes().startswith(b"\x89PNG")
    with pytest.raises(SheetError, match="pdf"):
        write_comparison_page(found, tmp_path / "page.txt")


def test_without_a_verdict_the_page_says_why_in_its_place() -> None:
    found = compare([head("N-2", 1)], [head("N-1", 2)], None, Asked())
    data = comparison_data(found)
    assert data["verdict"].startswith("Nothing says how far")
    assert not data["given"]
    assert all(row[4] == "" for row in data["rows"])
    assert make_comparison_page(found).pdf.startswith(b"%PDF")


def test_the_factor_and_what_else_differs_stand_out() -> None:
    a, b = head("N-2", 1, details={"plug": "raised"}), head("N-1", 2, details={"plug": "flat"}, port="cylinder 3")
    rows = {row[0]: row for row in comparison_data(compare([a], [b], Known(), Asked(factor="plug")))["setups"]}
    assert rows["plug"][1:] == ["raised", "flat", "factor"]
    assert rows["port"][3] == "differs"
    assert rows["bench"][3] == "same"


def test_the_attached_figures_are_those_of_the_comparison() -> None:
    found = compare([head("N-2", 1, FACTORS)], [head("N-1", 2)], Known(), Asked())
    lines = differences_csv(found).decode().splitlines()
    assert lines[0].startswith("lift_m,a_m3_s,b_m3_s")
    assert len(lines) == 9
    assert lines[1].endswith("A higher")
    assert float(lines[1].split(",")[3]) == found.differences.at[0].a_m3_s - found.differences.at[0].b_m3_s
