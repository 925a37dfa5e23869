"""Which earlier pull the present one is seen beside, and which of its points is out of line."""

from typing import Literal, Protocol

from acquire.beside.out_of_line import doubt, seen
from acquire.beside.shadow import PullBeside, Relation, Shadow, ShadowChoice, ShadowPoint
from acquire.records import ArchivedPull, PullRow
from acquire.values import Direction, PullKind

# newest pulls that are looked at, choices that are offered, and pulls that are read to find one set up alike
_NEWEST = 300
MOST_CHOICES = 9
_READ = 4


class Pulls(Protocol):
    """What is needed of the archive."""

    def pulls(
        self,
        limit: int | None = None,
        subject: str | None = None,
        kind: PullKind | None = None,
        direction: Direction | None = None,
    ) -> list[PullRow]:
        """Pulls, the newest first."""
        ...

    def pull(self, pull_id: int, /) -> ArchivedPull:
        """One pull, whole."""
        ...


def pull_beside(archive: Pulls, pull_id: int, other_id: int | None = None) -> PullBeside:
    """A lift pull beside ``other_id``, else beside the newest complete pull of its model (or head) set up alike.

    Choices: the same head before other heads of its model, each the newest
    first. Pulls of unlike convention or reference, and simulated beside
    measured ones, are no shadow: their curves do not lie on one scale. One with
    the leakage taken off beside one without is a shadow only where it is asked
    for, says so, and casts no doubt. Where there is none, points are doubted
    beside the same head's newest pull of the other direction. Raises
    ``ArchiveError``.
    """
    present = archive.pull(pull_id)
    if present.request.kind != "lift":
        return PullBeside(pull_id=pull_id)
    choices = _choices(archive.pulls(limit=_NEWEST, kind="lift"), present)
    other = _other(archive, present, choices, other_id)
    points = seen(present.points)
    if other is None:
        # nothing to draw beneath it; but the head's other direction knows where its curve bends
        against = _other_way(archive, present, choices) if other_id is None else None
        found = doubt(points, seen(against.points), other_way=True) if against is not None else doubt(points)
        return PullBeside(pull_id=pull_id, choices=choices, doubt=found)
    way = other.request.direction != present.request.direction
    shadow = Shadow(of=_choice(_row_of(other), present), points=_points(other), leakage=_leakage_unlike(other, present))
    found = doubt(points, seen(other.points), way) if not shadow.leakage else doubt(points)
    return PullBeside(pull_id=pull_id, choices=choices, shadow=shadow, doubt=found)


def _choices(rows: list[PullRow], present: ArchivedPull) -> tuple[ShadowChoice, ...]:
    head, model = present.request.subject.identifier.casefold(), present.request.subject.model.casefold()
    usable = [
        row
        for row in rows
        if row.id != present.id and row.outcome == "complete" and row.taken and row.simulated == present.simulated
    ]
    same_head = [row for row in usable if row.subject.casefold() == head]
    same_model = [row for row in usable if row not in same_head and model and row.model.casefold() == model]
    alike = [row for row in same_model if row.direction == present.request.direction]
    return tuple(_choice(row, present) for row in [*same_head[: MOST_CHOICES - 3], *alike][:MOST_CHOICES])


def _choice(row: PullRow, present: ArchivedPull) -> ShadowChoice:
    same_way = row.direction == present.request.direction
    relation: Relation = "another head"
    if row.subject.casefold() == present.request.subject.identifier.casefold():
        relation = "same head" if same_way else "same head, other direction"
    elif row.model and row.model.casefold() == present.request.subject.model.casefold():
        relation = "same model"
    return ShadowChoice(
        pull_id=row.id, subject=row.subject, direction=row.direction, started_utc=row.started_utc, relation=relation
    )


def _other(
    archive: Pulls, present: ArchivedPull, choices: tuple[ShadowChoice, ...], other_id: int | None
) -> ArchivedPull | None:
    if other_id is not None:
        chosen = archive.pull(other_id)
        return chosen if _one_scale(chosen, present) else None
    same_way = [its for its in choices if its.direction == present.request.direction]
    newest_first = sorted(same_way, key=lambda its: its.pull_id, reverse=True)
    for choice in newest_first[:_READ]:
        pull = archive.pull(choice.pull_id)
        if _one_scale(pull, present) and _alike(pull, present) and not _leakage_unlike(pull, present):
            return pull
    return None


def _other_way(archive: Pulls, present: ArchivedPull, choices: tuple[ShadowChoice, ...]) -> ArchivedPull | None:
    same_head = [its.pull_id for its in choices if its.relation == "same head, other direction"]
    pull = archive.pull(max(same_head)) if same_head else None
    if pull is None or not _one_scale(pull, present) or _leakage_unlike(pull, present):
        return None
    return pull


def _leakage_unlike(other: ArchivedPull, present: ArchivedPull) -> Literal["", "left in", "taken off"]:
    """What became of the leakage in the other one, where it is not what became of it in the present one."""
    if (other.leakage is None) == (present.leakage is None):
        return ""
    return "left in" if other.leakage is None else "taken off"


def _one_scale(one: ArchivedPull, other: ArchivedPull) -> bool:
    return one.config.reference == other.config.reference and one.request.kind == "lift"


def _alike(one: ArchivedPull, other: ArchivedPull) -> bool:
    said = {"remarks", "details"}
    return one.request.setup.model_dump(exclude=said) == other.request.setup.model_dump(exclude=said)


def _row_of(pull: ArchivedPull) -> PullRow:
    its = pull.request
    return PullRow(
        pull.id, pull.uid, its.kind, its.direction, its.subject.identifier, its.subject.model, pull.started_utc,
        pull.outcome, len(its.lifts_m), len(pull.in_force), len(pull.marks), pull.simulated,
    )  # fmt: skip


def _points(pull: ArchivedPull) -> tuple[ShadowPoint, ...]:
    found = [
        ShadowPoint(
            lift_m=p.step_lift_m, flow_m3_s=p.flow.flow_m3_s, half_width_95_m3_s=p.flow.half_width_95_m3_s
        )
        for p in pull.in_force.values()
        if p.step_lift_m is not None
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda its: its.lift_m))
