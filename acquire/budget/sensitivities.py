"""Sensitivity coefficients: the partial derivatives of a formula at its best estimates.

The formula runs once, with numbers that note every operation and its partial
derivatives; the notes are then gone through backwards. One run gives all
coefficients, exact but for rounding, however many inputs there are, where
differences would take two runs for each and a choice of steps.
Sources: c_i of JCGM 100:2008, 5.1.3; reverse accumulation, A. Griewank and
A. Walther, Evaluating Derivatives, SIAM 2008, chapter 3.
"""

import math
from collections.abc import Callable, Collection, Mapping
from typing import Any, Union

Operand = Union["Traced", float]
# how each number was made: place and partial derivative of the first operand, and of the second (0.0 for none)
_Notes = list[tuple[int, float, int, float]]


def sensitivities(
    formula: Callable[[Mapping[str, Any]], Any], values: Mapping[str, float], wanted: Collection[str]
) -> tuple[float, dict[str, float]]:
    """The result at ``values``, and its partial derivatives by the names in ``wanted``.

    The formula may use arithmetic, powers, :meth:`Traced.log` and comparisons,
    which go by value: at a kink the side is taken on which the value lies. It
    gets plain floats for what is not wanted.
    """
    notes: _Notes = []
    inputs = {name: Traced(values[name], notes, 0, 0.0) for name in wanted}
    result = formula({**values, **inputs})
    if not isinstance(result, Traced):
        return float(result), dict.fromkeys(inputs, 0.0)
    slopes = [0.0] * len(notes)
    slopes[result.place] = 1.0
    for place in range(result.place, len(wanted) - 1, -1):
        slope = slopes[place]
        if slope:
            first, by_first, second, by_second = notes[place]
            slopes[first] += slope * by_first
            slopes[second] += slope * by_second
    return result.value, dict(zip(inputs, slopes, strict=False))


class Traced:
    """A float that notes how it was made."""

    __slots__ = ("notes", "place", "value")

    def __init__(
        self, value: float, notes: _Notes, first: int, by_first: float, second: int = 0, by_second: float = 0.0
    ) -> None:
        self.value = value
        self.notes = notes
        self.place = len(notes)
        notes.append((first, by_first, second, by_second))

    def __add__(self, other: Operand) -> "Traced":
        if isinstance(other, Traced):
            return Traced(self.value + other.value, self.notes, self.place, 1.0, other.place, 1.0)
        return Traced(self.value + other, self.notes, self.place, 1.0)

    __radd__ = __add__

    def __sub__(self, other: Operand) -> "Traced":
        if isinstance(other, Traced):
            return Traced(self.value - other.value, self.notes, self.place, 1.0, other.place, -1.0)
        return Traced(self.value - other, self.notes, self.place, 1.0)

    def __rsub__(self, other: float) -> "Traced":
        return Traced(other - self.value, self.notes, self.place, -1.0)

    def __mul__(self, other: Operand) -> "Traced":
        if isinstance(other, Traced):
            return Traced(self.value * other.value, self.notes, self.place, other.value, other.place, self.value)
        return Traced(self.value * other, self.notes, self.place, other)

    __rmul__ = __mul__

    def __truediv__(self, other: Operand) -> "Traced":
        if isinstance(other, Traced):
            value = self.value / other.value
            return Traced(value, self.notes, self.place, 1.0 / other.value, other.place, -value / other.value)
        return Traced(self.value / other, self.notes, self.place, 1.0 / other)

    def __rtruediv__(self, other: float) -> "Traced":
        value = other / self.value
        return Traced(value, self.notes, self.place, -value / self.value)

    def __pow__(self, other: Operand) -> "Traced":
        if isinstance(other, Traced):
            value = self.value**other.value
            by_base = other.value * self.value ** (other.value - 1.0)
            return Traced(value, self.notes, self.place, by_base, other.place, math.log(self.value) * value)
        # whatever the base: one, without a slope
        slope = other * self.value ** (other - 1) if other else 0.0
        return Traced(self.value**other, self.notes, self.place, slope)

    def __rpow__(self, other: float) -> "Traced":
        value = other**self.value
        return Traced(value, self.notes, self.place, math.log(other) * value)

    def __neg__(self) -> "Traced":
        return Traced(-self.value, self.notes, self.place, -1.0)

    def __abs__(self) -> "Traced":
        return -self if self.value < 0.0 else self

    def log(self) -> "Traced":
        """Natural logarithm."""
        return Traced(math.log(self.value), self.notes, self.place, 1.0 / self.value)

    def __lt__(self, other: Operand) -> bool:
        return self.value < _value(other)

    def __le__(self, other: Operand) -> bool:
        return self.value <= _value(other)

    def __gt__(self, other: Operand) -> bool:
        return self.value > _value(other)

    def __ge__(self, other: Operand) -> bool:
        return self.value >= _value(other)


def _value(its: Operand) -> float:
    return its.value if isinstance(its, Traced) else its
