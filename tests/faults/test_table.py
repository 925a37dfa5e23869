"""The table of faults: each row has its test, and DEVELOPERS.md holds the table as it is."""

import re
from pathlib import Path

import pytest

from tests.faults.table import ROWS, markdown

HERE = Path(__file__).parent
FILES = ("test_points.py", "test_ports.py", "test_live_points.py", "../whole/test_encoder_pull.py")
TESTS = "\n".join((HERE / name).read_text(encoding="utf-8") for name in FILES)


@pytest.mark.parametrize("row", ROWS)
def test_every_fault_has_a_test_which_holds_its_sentence_against_what_was_said(row: str) -> None:
    its = ROWS[row]
    found = re.search(rf"((?:^@.*\n(?:[ \])].*\n)*)*)^def {its.test}\(.*\n((?:(?: .*)?\n)*)", TESTS, re.MULTILINE)
    assert found is not None, its.test
    if its.reads:
        body = found[0]
        assert f'told("{row}"' in body or ("told(row" in body and (f'"{row}"' in body or f'"{row}":' in TESTS)), row


def test_the_developers_page_holds_this_table() -> None:
    page = (HERE.parent.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert markdown() in page, "run python -m tests.faults.table and put it into the section Faults"
