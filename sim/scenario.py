"""How lively the simulated bench is: noise, the operator's habits, faults. Data only.

A scenario never changes the head, so the truth depends on the seed alone.
"""

from dataclasses import dataclass, field, replace

from sim.faults import Fault, every_kind

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Habits:
    """The operator's hands. Shares are of moves, times in s, relative figures of the move or of the pressure."""

    pause_share: float = 0.33
    pause_s: Range = (0.5, 1.9)
    overshoot_share: float = 0.2
    overshoot_rel: Range = (0.05, 0.12)
    wrong_lift_share: float = 0.05
    wrong_lift_s: Range = (3.0, 6.0)
    short_pressure_share: float = 0.25
    short_pressure_rel: Range = (0.02, 0.04)
    reaction_s: Range = (0.3, 1.0)
    move_s: Range = (0.8, 3.0)
    change_s: Range = (2.0, 5.0)
    lift_scatter_m: float = 0.0004 * 0.0254
    pressure_scatter_rel: float = 0.001


@dataclass(frozen=True, slots=True)
class Mishaps:
    """What goes wrong besides. Shares are of moves or of stays with air on, times in s, others of the pressure.

    He walks away before a move, leaves the blower's trim late after it; in a
    stay he has his hands on the screw, bumps the indicator, lets the pressure sag.
    """

    walk_away_share: float = 0.0
    walk_away_s: Range = (15.0, 40.0)
    late_trim_share: float = 0.0
    late_trim_s: Range = (4.0, 10.0)
    after_s: Range = (0.3, 6.0)
    touch_share: float = 0.0
    touch_m: Range = (0.003 * 0.0254, 0.02 * 0.0254)
    touch_s: Range = (0.4, 3.0)
    bump_share: float = 0.0
    bump_m: Range = (0.003 * 0.0254, 0.05 * 0.0254)
    bump_s: Range = (0.1, 1.5)
    sag_share: float = 0.0
    sag_rel: Range = (0.008, 0.05)
    sag_s: Range = (1.0, 5.0)


@dataclass(frozen=True, slots=True)
class Scenario:
    """One character of the bench. Relative figures are one standard deviation.

    ``instrument_errors`` scales the errors drawn from the stated accuracies.
    ``turbulence`` is (at no flow, at full flow). ``creep_share`` and
    ``hunting_share`` are shares of moves and of 15 s stretches.
    """

    name: str
    instrument_errors: float = 1.0
    turbulence: Range = (0.001, 0.006)
    turbulence_time_s: Range = (0.02, 0.3)
    pressure_noise: Range = (0.0004, 0.002)
    electronic_noise: float = 1.0
    time_constant_s: Range = (0.3, 1.2)
    second_order_share: float = 0.5
    damping: Range = (0.4, 0.9)
    meter_lag_s: Range = (0.05, 0.35)
    sag_rel: Range = (0.03, 0.10)
    line_drift: float = 0.001
    hunting_share: float = 0.1
    hunting_rel: Range = (0.002, 0.01)
    hunting_period_s: Range = (2.0, 8.0)
    creep_share: float = 0.0
    creep_rel: Range = (0.004, 0.02)
    creep_s: Range = (4.0, 10.0)
    spikes_per_min: float = 0.2
    gaps_per_min: float = 0.1
    habits: Habits = field(default_factory=Habits)
    mishaps: Mishaps = field(default_factory=Mishaps)
    faults: tuple[Fault, ...] = ()


STEADY_HANDS = Habits(
    pause_share=0.0,
    overshoot_share=0.0,
    wrong_lift_share=0.0,
    short_pressure_share=0.0,
    lift_scatter_m=0.0,
    pressure_scatter_rel=0.0,
)

SHOP = Scenario("shop")
CALM = Scenario(
    "calm",
    turbulence=(0.0005, 0.002),
    hunting_share=0.0,
    line_drift=0.0003,
    spikes_per_min=0.0,
    gaps_per_min=0.0,
    habits=STEADY_HANDS,
)
EXACT = replace(
    CALM,
    name="exact",
    instrument_errors=0.0,
    turbulence=(0.0, 0.0),
    pressure_noise=(0.0, 0.0),
    electronic_noise=0.0,
    line_drift=0.0,
)
ROUGH = replace(
    SHOP,
    name="rough",
    turbulence=(0.002, 0.010),
    hunting_share=0.4,
    creep_share=0.1,
    spikes_per_min=1.5,
    gaps_per_min=0.7,
)
FAULTS = replace(SHOP, name="faults", faults=every_kind())
FUMBLING = replace(
    SHOP,
    name="fumbling",
    habits=Habits(
        pause_share=0.5, overshoot_share=0.4, wrong_lift_share=0.2, wrong_lift_s=(1.5, 8.0), short_pressure_share=0.4
    ),
    mishaps=Mishaps(walk_away_share=0.06, late_trim_share=0.25, touch_share=0.3, bump_share=0.3, sag_share=0.3),
)

SCENARIOS: dict[str, Scenario] = {s.name: s for s in (SHOP, CALM, EXACT, ROUGH, FAULTS, FUMBLING)}
