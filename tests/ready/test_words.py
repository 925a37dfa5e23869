"""What show and sheet say of leakage and of the bench's last check."""

from dataclasses import replace

import pytest

from acquire.basis import Basis
from acquire.ready.record import LastReady, Readiness, ReadyLine, last_ready
from acquire.ready.said import ready_said
from acquire.records import ArchivedPull
from acquire.sheet.data import units_of_sheet
from acquire.sheet.measured import leakage_text
from acquire.text import pull_text
from tests.sheet import example


def said(pull: ArchivedPull) -> str:
    return leakage_text(pull, units_of_sheet([pull])).replace("\u00a0", " ").replace("\u202f", " ")


def aged(measured_utc: str, **changes: object) -> ArchivedPull:
    pull = example.pull()
    assert pull.leakage is not None
    return replace(pull, leakage=pull.leakage.model_copy(update={"measured_utc": measured_utc, **changes}))


@pytest.mark.parametrize(
    ("measured_utc", "age"),
    [
        ("2026-11-14T08:40:00+00:00", "32 min old"),
        ("2026-11-14T03:00:00+00:00", "6 h old"),
        ("2026-11-02T08:40:00+00:00", "12 d old"),
    ],
)
def test_sheet_and_show_say_how_old_the_leakage_was(measured_utc: str, age: str) -> None:
    pull = aged(measured_utc)
    assert said(pull).endswith(f"subtracted, measured {measured_utc[:10]}, {age}")
    assert f"blank-plate pull 39, measured {measured_utc[:10]}, {age}." in pull_text(pull)


def test_a_leak_below_what_can_be_told_is_given_as_a_bound() -> None:
    bound = aged("2026-11-14T08:40:00+00:00", area_m2=0.0, below_m2=1.8e-6, gap_uncertainty_m2=0.0)
    assert said(bound).startswith("leak below 0.40 cfm, none subtracted, measured")
    told = aged("2026-11-14T08:40:00+00:00", area_m2=1e-7, below_m2=3e-7, gap_uncertainty_m2=0.0)
    assert said(told).startswith("leak below 0.07 cfm, ")
    assert "none" not in said(told)


def test_a_run_that_was_too_old_is_named() -> None:
    basis = Basis(old_leakage_utc="2026-09-01T08:00:00+00:00", old_leakage_pull=5)
    pull = replace(example.pull(), leakage=None, basis=basis)
    because = "blank-plate pull 5 is 74 d old, the limit is 30 d"
    assert said(pull).startswith(f"leakage not measured ({because}): none subtracted")
    assert f"Leakage: not measured ({because});" in pull_text(pull)
    assert said(replace(pull, basis=Basis())).startswith("leakage not measured: none subtracted")


def test_a_pull_says_when_its_bench_was_last_checked() -> None:
    pull = example.pull()
    assert ready_said(pull) == "not checked before this pull"

    def checked(made_utc: str, ready: bool, *against: str) -> str:
        return ready_said(replace(pull, basis=Basis(ready=LastReady(made_utc=made_utc, ready=ready, against=against))))

    assert checked("2026-11-14T07:00:00+00:00", True) == "ready 2026-11-14 07:00 UTC, 2 h old"
    assert checked("2026-11-10T07:00:00+00:00", True).endswith("4 d old: too long ago, the limit is 12 h")
    assert checked("2026-11-14T07:00:00+00:00", False, "zeros", "leakage, intake") == (
        "NOT READY when checked 2026-11-14 07:00 UTC, 2 h old: zeros, leakage, intake"
    )


def test_a_pull_keeps_of_a_check_what_was_not_good() -> None:
    lines = (
        ReadyLine(name="zeros", verdict="good", said=""),
        ReadyLine(name="reference plate", verdict="left out", said=""),
        ReadyLine(name="zero drift", verdict="not known", said=""),
        ReadyLine(name="leakage, intake", verdict="bad", said=""),
    )
    record = Readiness(made_utc="2026-11-14T07:00:00+00:00", ready=False, lines=lines)
    assert last_ready(record).against == ("zero drift", "leakage, intake")
