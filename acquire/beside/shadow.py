"""An earlier pull beside the present one, and the point that falls out of line with it: what goes over the wire."""

from typing import Literal

from acquire.config import Table
from acquire.values import Direction

Beside = Literal["the lift below", "its neighbours", "the earlier pull", "the other direction"]
Relation = Literal["same head", "same head, other direction", "same model", "another head"]


class Doubt(Table):
    """A point in force that lies out of line.

    ``off_rel``: how far its effective area lies off what the rest lets
    expect, relative; ``deviations``: the same in standard deviations.
    """

    step: int
    off_rel: float
    deviations: float
    beside: Beside


class ShadowPoint(Table):
    """One point in force of the earlier pull."""

    lift_m: float
    flow_m3_s: float
    half_width_95_m3_s: float


class ShadowChoice(Table):
    """An earlier pull that can be laid beneath the curve."""

    pull_id: int
    subject: str
    direction: Direction
    started_utc: str
    relation: Relation


class Shadow(Table):
    """The earlier pull with its points, by rising lift.

    ``leakage``: what became of the leakage in its flows, where the present
    pull's have it otherwise: left in, or taken off; empty where it is alike.
    """

    of: ShadowChoice
    points: tuple[ShadowPoint, ...]
    leakage: Literal["", "left in", "taken off"] = ""


class PullBeside(Table):
    """What a pull is seen beside: the choices, the one drawn, the point that is out of line."""

    pull_id: int
    choices: tuple[ShadowChoice, ...] = ()
    shadow: Shadow | None = None
    doubt: Doubt | None = None
