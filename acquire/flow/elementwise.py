"""The same formula for a float, for a traced number of a budget, and for many floats in an array of shape (n,).

What comes out for a sample never depends on those beside it: many at once give
the same to the last bit as one by one. Sums, products, quotients and square
roots are correctly rounded wherever they are worked out; a power is not, and
an array's differs from a float's on some processors, so that it is taken of
each number by itself.
"""

import math
from collections.abc import Callable
from itertools import repeat
from typing import TYPE_CHECKING, Any, TypeGuard, TypeVar, Union

if TYPE_CHECKING:
    # a configuration names meters, and is read where numpy is not needed
    import numpy as np
    from numpy.typing import NDArray

    from acquire.series import Floats

N = TypeVar("N", float, "Floats")
Truth = Union[bool, "NDArray[np.bool_]"]


def power(x: N, exponent: float) -> N:
    """``x`` above zero to a power."""
    if isinstance(x, float):
        return float(x**exponent)
    import numpy as np

    if isinstance(x, np.ndarray):
        return np.fromiter(map(math.pow, x.tolist(), repeat(exponent)), np.float64, x.size)
    result: N = x**exponent
    return result


def root(x: N) -> N:
    """The square root of ``x``, not below zero."""
    if isinstance(x, float):
        return math.sqrt(x)
    import numpy as np

    if isinstance(x, np.ndarray):
        return np.sqrt(x)
    return x**0.5  # a traced number


def at_least(x: N, least: float) -> N:
    """``x``, or the least that it may be."""
    if not isinstance(x, float):
        import numpy as np

        if isinstance(x, np.ndarray):
            return np.where(x > least, x, least)
    if x > least:
        return x
    return least


def one_by_one(function: Callable[[float], float], x: N) -> N:
    """What a function of one number gives for ``x``."""
    if isinstance(x, float):
        return function(x)
    import numpy as np

    if isinstance(x, np.ndarray):
        return np.array([function(its) for its in x.tolist()])
    return function(x)


def _are_many(condition: Truth) -> "TypeGuard[NDArray[np.bool_]]":
    return bool(getattr(condition, "shape", ()))


def anywhere(condition: Truth) -> bool:
    """Whether a condition holds for the number, or for any of many."""
    return bool(condition.any()) if _are_many(condition) else bool(condition)


def piecewise(condition: Truth, then: Callable[..., Any], otherwise: Callable[..., Any], *args: Any) -> Any:
    """``then(*args)`` where the condition holds, ``otherwise(*args)`` where it does not.

    Each is only worked out for its own samples; arguments that are no arrays count for all of them.
    """
    if not _are_many(condition):
        return then(*args) if condition else otherwise(*args)
    if condition.all():
        return then(*args)
    import numpy as np

    found = np.empty(condition.size)
    for where, function in ((condition, then), (~condition, otherwise)):
        found[where] = function(*(its[where] if isinstance(its, np.ndarray) else its for its in args))
    return found


def constant(value: float) -> Callable[..., float]:
    """For :func:`piecewise`: a value that depends on nothing."""
    return lambda *_: value
