"""What was typed of one step, and what is still to be typed. Pure."""

from collections.abc import Collection, Mapping

from acquire.values import Capture, Channel, Standing, Step

_ORDER: tuple[Channel, ...] = ("lift", "test_pressure", "meter_pressure")
_SAID = {"lift": "lift", "test_pressure": "test pressure", "meter_pressure": "meter"}
# a measured test pressure beside a typed meter is looked at for at least this long
_LEAST_WINDOW_US = 2_000_000
_NO_DOUBT_DOF = 1e6

TYPED = "typed"
"""Of the mark about it."""

PRESSURE_TYPED = "The test pressure was typed once a point: nothing says that it held in between."
MOVED = "the flow moved after the lift was typed: look at the valve, then type the lift again"
NOT_JUDGED = "typed: nothing judged whether it had settled"
STANDING = Standing("waiting", detail="the readings are typed: nothing judges when they have settled")


class TypedStep:
    """The typed channels of a pull; their values count from the step's begin on.

    A value typed twice replaces the first. ``channels`` are in the order in which they are asked for;
    ``typed`` holds one digit of each, in SI: nearer to its aim than that nothing can be typed.
    """

    def __init__(self, typed: Mapping[str, float], with_valve: bool) -> None:
        self._digits = typed
        self.channels: tuple[Channel, ...] = tuple(
            name for name in _ORDER if name in typed and (with_valve or name != "lift")
        )
        self._values: dict[str, tuple[int, float]] = {}

    @property
    def with_meter(self) -> bool:
        """Whether the meter is typed: there is no record of the flow that could be judged."""
        return "meter_pressure" in self.channels

    def begin(self) -> None:
        """A new step, or the same one anew: whatever was typed does not count for it."""
        self._values.clear()

    def put(self, channel: str, t_us: int, value: float) -> None:
        """A typed SI value, its zero subtracted."""
        self._values[channel] = (t_us, value)

    def forget(self, channel: str) -> None:
        """What was typed for a channel counts no more."""
        self._values.pop(channel, None)

    @property
    def latest(self) -> str:
        """What was typed last; empty where nothing was."""
        return max(self._values, key=lambda name: self._values[name][0], default="")

    def value(self, channel: str) -> float | None:
        """What was typed of this step; None where nothing was."""
        its = self._values.get(channel)
        return None if its is None else its[1]

    def missing(self) -> tuple[str, ...]:
        """What was not typed yet."""
        return tuple(name for name in self.channels if name not in self._values)

    def awaited(self, step: Step, lift_tolerance_m: float, band_pa: float) -> tuple[str, ...]:
        """What is to be typed before a reading counts: what is missing, or was typed away from the step."""
        aims = {"lift": (step.lift_m, lift_tolerance_m), "test_pressure": (step.test_pressure_pa, band_pa)}
        return tuple(name for name in self.channels if self._away(name, *aims.get(name, (None, 0.0))))

    def _away(self, channel: str, aim: float | None, band: float) -> bool:
        value = self.value(channel)
        # an aim and a band that are whole digits must not miss by rounding
        band = max(band, self._digits[channel]) * (1 + 1e-6) + 1e-9
        return value is None or (aim is not None and abs(value - aim) > band)

    def capture(self, area_m2: float, held_sd_rel: float = 0.0) -> Capture:
        """The typed reading: no scatter is claimed but that of a test pressure measured beside it.

        ``held_sd_rel``: the latter's standard deviation, relative; the area goes with its root.
        """
        times = [t_us for t_us, _ in self._values.values()]
        u = 0.5 * held_sd_rel * abs(area_m2)
        return Capture(
            t_start_us=self.window_from_us(),
            t_end_us=max(times),
            area_m2=area_m2,
            standard_uncertainty_m2=u,
            dof=_NO_DOUBT_DOF,
            noise_m2=0.0,
            correlation_time_s=0.0,
            drift_m2_per_s=0.0,
            n=1,
            n_independent=1.0,
            rejected=0,
            reached=False,
            reason=NOT_JUDGED,
        )

    def window_from_us(self) -> int:
        """From when on what is measured beside belongs to the reading."""
        times = [t_us for t_us, _ in self._values.values()]
        return max(0, min(min(times), max(times) - _LEAST_WINDOW_US))


def typed_said(channels: Collection[str]) -> str:
    """Typed channels by name: "lift, test pressure, meter"."""
    return ", ".join(_SAID[name] for name in _ORDER if name in channels)


def awaiting(channel: str) -> Standing:
    """Where the judgement stands while something is to be typed."""
    return Standing("waiting", detail=f"waiting for the {channel.replace('_', ' ')} to be typed")


def zero_left_out(channels: Collection[str], *, before: bool) -> str:
    """What a zero that was not typed means for the pull."""
    said = " and the ".join(name.replace("_", " ") for name in channels)
    counts = "before the pull: it counts as 0" if before else "again after the pull: nothing says that it stayed"
    return f"The zero of the {said} was not typed {counts}."


def no_zero(channel: str) -> str:
    """Why a typed value was refused during a zero check."""
    first = "close the valve" if channel == "lift" else "stop the blower"
    return f"Not used: that is no zero of the {channel.replace('_', ' ')}. First {first}, or skip the zero check."
