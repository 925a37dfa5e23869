"""An earlier pull beside the present one: which is chosen, which point is doubted, over the API."""

from dataclasses import replace
from typing import Any

import pytest

from acquire.beside.choice import MOST_CHOICES, pull_beside
from acquire.client import Client, ClientError
from acquire.records import ArchivedPull, LeakageLaw, PullRequest, PullRow, Setup, Subject
from acquire.values import Direction, Point, PullKind
from tests.flow.test_out_of_line import LIFTS_M, area_m2
from tests.service.bench import CONFIG, FakeArchive, point

NEW = 50


def points(factor: float = 1.0, wrong: int | None = None) -> tuple[Point, ...]:
    made = []
    for step, lift_m in enumerate(LIFTS_M):
        area = factor * area_m2(lift_m) * (0.95 if step == wrong else 1.0)
        base = point(area)
        flow = replace(base.flow, effective_area_m2=area, flow_m3_s=area * 100.0)
        made.append(replace(base, step=step, step_lift_m=lift_m, lift_m=lift_m, flow=flow))
    return tuple(made)


def pull(
    number: int, head: str = "A-1", model: str = "M", direction: Direction = "intake", its: tuple[Point, ...] = (),
    kind: PullKind = "lift", **changes: Any,
) -> ArchivedPull:  # fmt: skip
    steps = {"lifts_m": LIFTS_M} if kind == "lift" else {"test_pressures_pa": (7000.0,)}
    request = PullRequest(
        kind=kind, direction=direction, subject=Subject(identifier=head, model=model), meter_range="3",
        setup=changes.pop("setup", Setup()), **steps,
    )  # fmt: skip
    base = ArchivedPull(
        id=number, uid=f"u{number}", request=request, config=CONFIG,
        started_utc=f"2026-03-{number % 28 + 1:02}T08:00:00Z", ended_utc=None,
        outcome="complete", version="", sources={}, points=its or points(), skipped=(),
        zeros_before=None, zeros_after=None, marks=(), leakage=None, sessions=(),
    )  # fmt: skip
    return replace(base, **changes)


class Held:
    """An archive that holds these pulls."""

    def __init__(self, *pulls: ArchivedPull) -> None:
        self._pulls = {its.id: its for its in pulls}

    def pulls(
        self,
        limit: int | None = None,
        subject: str | None = None,
        kind: PullKind | None = None,
        direction: Direction | None = None,
    ) -> list[PullRow]:
        return [
            PullRow(
                p.id, p.uid, p.request.kind, p.request.direction, p.request.subject.identifier,
                p.request.subject.model, p.started_utc, p.outcome, 8, len(p.points), 0, p.simulated,
            )
            for _, p in sorted(self._pulls.items(), reverse=True)
            if p.request.kind == kind
        ]  # fmt: skip

    def pull(self, pull_id: int, /) -> ArchivedPull:
        return self._pulls[pull_id]


def present(**its: Any) -> ArchivedPull:
    return pull(NEW, its=its.pop("its", points(1.02)), outcome=None, **its)


def test_the_newest_pull_of_the_model_that_was_set_up_alike_is_the_shadow() -> None:
    other_setup = Setup(inlet_treatment="clay")
    held = Held(
        present(), pull(1), pull(2, "A-2"), pull(3, "A-3"), pull(4, "A-4", setup=other_setup),
        pull(5, "B-1", model="other"), pull(6, "A-6", direction="exhaust"), pull(7, "A-7", outcome="aborted"),
        pull(8, "A-8", sources={"lift": "sim://x"}),
    )  # fmt: skip
    said = pull_beside(held, NEW)
    assert said.shadow is not None
    assert (said.shadow.of.pull_id, said.shadow.of.relation) == (3, "same model")
    assert [its.pull_id for its in said.choices] == [1, 4, 3, 2]
    assert [its.lift_m for its in said.shadow.points] == list(LIFTS_M)
    assert said.doubt is None


def test_the_same_head_comes_first_and_in_both_directions() -> None:
    held = Held(
        present(), pull(1), pull(2, direction="exhaust"), pull(3, "a-1"), *(pull(n, f"C-{n}") for n in range(4, 30))
    )
    said = pull_beside(held, NEW)
    assert [(its.pull_id, its.relation) for its in said.choices[:3]] == [
        (3, "same head"),
        (2, "same head, other direction"),
        (1, "same head"),
    ]
    assert len(said.choices) == MOST_CHOICES


def test_a_wrong_point_is_doubted_beside_the_shadow_that_was_chosen() -> None:
    wrong = present(its=points(1.02, wrong=1))
    held = Held(wrong, pull(1), pull(2, direction="exhaust", its=points(0.7)))
    by_default, chosen = pull_beside(held, NEW), pull_beside(held, NEW, 2)
    assert by_default.doubt is not None
    assert (by_default.doubt.step, by_default.doubt.beside) == (1, "the earlier pull")
    assert by_default.doubt.off_rel == pytest.approx(-0.05, abs=0.01)
    assert chosen.shadow is not None
    assert chosen.shadow.of.relation == "same head, other direction"


def test_without_a_shadow_a_wrong_point_is_doubted_beside_the_heads_other_direction() -> None:
    # with four points its neighbours do not tell yet: the curve may begin to bend there
    wrong = present(its=points(1.02, wrong=2)[:4])
    assert pull_beside(Held(wrong), NEW).doubt is None
    said = pull_beside(Held(wrong, pull(1, direction="exhaust", its=points(0.7))), NEW)
    assert said.shadow is None
    assert said.doubt is not None
    assert (said.doubt.step, said.doubt.beside) == (2, "the other direction")
    # another head's says nothing, nor does one on another scale
    reference = CONFIG.reference.model_copy(update={"test_pressure_pa": 25 * 249.08891})
    elsewhere = CONFIG.model_copy(update={"reference": reference})
    for other in (pull(1, "A-2", direction="exhaust", its=points(0.7)),
                  replace(pull(1, direction="exhaust", its=points(0.7)), config=elsewhere)):  # fmt: skip
        assert pull_beside(Held(wrong, other), NEW).doubt is None


def test_what_does_not_lie_on_one_scale_is_no_shadow() -> None:
    reference = CONFIG.reference.model_copy(update={"test_pressure_pa": 25 * 249.08891})
    elsewhere = CONFIG.model_copy(update={"reference": reference})
    held = Held(present(), replace(pull(1), config=elsewhere))
    assert pull_beside(held, NEW).shadow is None
    assert pull_beside(held, NEW, 1).shadow is None


def test_it_comes_over_the_api_and_a_missing_pull_is_said(client: Client, archive: FakeArchive) -> None:
    assert client.beside(1) == pull_beside(archive, 1)
    assert client.beside(1).pull_id == 1
    with pytest.raises(ClientError, match="there is no pull 2 in the archive"):
        client.beside(1, 2)


def test_a_leakage_run_is_beside_nothing() -> None:
    run = pull(NEW, kind="leakage")
    said = pull_beside(Held(run, pull(1)), NEW)
    assert (said.choices, said.shadow, said.doubt) == ((), None, None)


LAW = LeakageLaw(
    pull_id=1, direction="intake", measured_utc="2026-03-01T08:00:00Z", reference_pressure_pa=7000.0, area_m2=1e-6,
    standard_uncertainty_m2=1e-7, dof=10.0,
)  # fmt: skip


def test_a_pull_whose_leakage_was_treated_otherwise_is_a_shadow_only_where_asked_for_and_says_so() -> None:
    wrong = points(wrong=3)
    held = Held(present(leakage=LAW), pull(1, leakage=LAW), pull(2))
    first = pull_beside(held, NEW).shadow
    assert first is not None
    assert (first.of.pull_id, first.leakage) == (1, "")
    asked = pull_beside(held, NEW, 2).shadow
    assert asked is not None
    assert asked.leakage == "left in"
    asked = pull_beside(Held(present(), pull(2, leakage=LAW)), NEW, 2).shadow
    assert asked is not None
    assert asked.leakage == "taken off"
    # so few points doubt none among themselves: only the earlier pull could name one, and may not
    few = {"its": wrong[2:5]}
    assert pull_beside(Held(present(**few), pull(2)), NEW, 2).doubt is not None
    assert pull_beside(Held(present(**few), pull(2, leakage=LAW)), NEW, 2).doubt is None
    # nor may the head's other direction
    for law, beside in ((None, "the other direction"), (LAW, "its neighbours")):
        doubted = pull_beside(Held(present(its=wrong), pull(2, direction="exhaust", leakage=law)), NEW).doubt
        assert doubted is not None
        assert doubted.beside == beside
