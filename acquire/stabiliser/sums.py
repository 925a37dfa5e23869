"""The sums of one stay that every model of it is fitted from: they grow block by block.

A model has the shared columns and the two of one response, so that of all
products of columns only those with a shared one, and the three within each
response, are ever looked at.
"""

import math
from typing import NamedTuple

import numpy as np

from acquire.compiled import Record, compiled, fields, new
from acquire.series import Floats
from acquire.stabiliser.fits import add_products, fill
from acquire.stabiliser.responses import CREEP_RATES, OMEGAS, RATES, RESPONSES, SHARED, SIZE

# Of ``n`` blocks, in units of ``scale``, the first one: first and last reading, the one before it (not a number for
# none), squared second differences added up, time of the last since the valve came to rest; ``row``: which of the rows
# holds its columns.
SUMS = fields(
    ("n", "i8"),
    ("scale", "f8"),
    ("first", "f8"),
    ("last", "f8"),
    ("before", "f8"),
    ("bends", "f8"),
    ("since_s", "f8"),
    ("row", "i8"),
)


class Products(NamedTuple):
    """Sums of products of columns: ``shared`` with all, (SHARED, SIZE); ``own``: first squared, first by second,
    second squared of each response, (3, RESPONSES)."""

    shared: Floats
    own: Floats

    @classmethod
    def none(cls) -> "Products":
        """Of no block yet."""
        return cls(np.zeros((SHARED, SIZE)), np.zeros((3, RESPONSES)))


class SumsKept(NamedTuple):
    """Products of columns within blocks, between neighbours both ways round, and of the blocks beside a gap, the first
    and the last one; columns of the last two blocks, (2, SIZE); the grid that they are made from.
    """

    its: Record
    within: Products
    between: Products
    ends: Products
    rows: Floats
    creep_rates: Floats
    rates: Floats
    omegas: Floats

    @classmethod
    def none(cls) -> "SumsKept":
        """Of no block yet."""
        products = Products.none(), Products.none(), Products.none()
        return cls(new(SUMS), *products, np.zeros((2, SIZE)), CREEP_RATES, RATES, OMEGAS)


@compiled
def clear(sums: SumsKept) -> None:
    """Forget all blocks."""
    sums.its.n = 0
    for products in (sums.within, sums.between, sums.ends):
        products.shared.fill(0.0)
        products.own.fill(0.0)


@compiled
def add_block(sums: SumsKept, since_s: float, area_m2: float, swings: Floats, gap: bool) -> None:
    """One block: time since the valve came to rest, reading, pressure effects (lags,), whether it follows a gap."""
    its, within, between, ends = sums.its, sums.within, sums.between, sums.ends
    first = its.n == 0
    if first:
        its.scale = area_m2 if area_m2 != 0.0 else 1e-12
    y = area_m2 / its.scale
    earlier, its.row = sums.rows[its.row], 1 - its.row
    row = sums.rows[its.row]
    fill(row, since_s, y, swings, sums.creep_rates, sums.rates, sums.omegas)
    add_products(within.shared, within.own, row, row)
    if first:
        its.first, its.before, its.bends = y, math.nan, 0.0
        add_products(ends.shared, ends.own, row, row)
    else:
        if not math.isnan(its.before):
            its.bends += (y - 2 * its.last + its.before) ** 2
        its.before = its.last
        if gap:
            add_products(ends.shared, ends.own, earlier, earlier)
            add_products(ends.shared, ends.own, row, row)
        else:
            add_products(between.shared, between.own, earlier, row)
            add_products(between.shared, between.own, row, earlier)
    its.last = y
    its.since_s = since_s
    its.n += 1
