"""What is left of the approach: every response the bench may have, weighed by the record.

From the moment the valve has come to rest, the flow referred to the test
pressure is taken as

    settled value + free decay of the bench's response + perhaps a creep
    + effects of a moving test pressure that average to nothing + noise

for a grid of responses (first order; second order with damping below one)
and of creeps. Each combination is a linear model with normal priors, so its
fit and its evidence are closed forms in sums that grow block by block; the
settled value is the mixture of all of them. Where the record cannot tell yet
whether something slow is still under way, the mixture is wide, and says so.

Sources: linear Gaussian models and evidence, D. J. C. MacKay, Neural
Computation 4 (1992) 415; model averaging, Hoeting et al., Statistical Science
14 (1999) 382; AR(1) likelihood, Box & Jenkins, Time Series Analysis (1970).
"""

import math
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from acquire.compiled import Record, compiled, fields, new
from acquire.config import Settling
from acquire.response import BenchResponse
from acquire.series import Floats, t_factor
from acquire.stabiliser.blocks import BLOCK_S, survey
from acquire.stabiliser.digits import MEANS, WIDTHS, digit_uncertainty
from acquire.stabiliser.fits import A_UNIT, FARTHEST, add_priors, quadratic, settle, share_of_swings, weigh
from acquire.stabiliser.noise import estimate, keep, new_pool, noise_seen, whitening
from acquire.stabiliser.response import from_kept, to_keep
from acquire.stabiliser.responses import (
    CONSTANT,
    CREEP,
    CREEPS,
    LAGS,
    NEAR,
    OPEN,
    OPEN_SHARE,
    RESPONSES,
    SHARED,
    SIZE,
    Learned,
    unlearned,
)
from acquire.stabiliser.sums import SumsKept, clear

MISFIT = 0.2
"""No bench is quite of first or second order: so much of what is still lacking is not trusted."""
LATE = 0.03
"""From so much on that is still lacking the sums begin anew: a grid of responses is too coarse for more."""
TRUST = 0.3
"""Power to which the evidence of a large approach is taken: against a coarse grid it proves too much."""
APPROACH_SIZE = 0.2
"""Least root mean square of what the approach lacks when the valve has come to rest."""
LEARNS_FROM = 20
"""Blocks of a stay from which on it shows something of the bench."""
_DITHER_BLOCKS = 60
_BEYOND = 0.02
"""Nothing is taken while an error beyond the stated half-width by ``_FALSE`` of the one wanted is likelier."""
_FALSE = 0.8
_LEFT = 1.0
"""Nothing is taken while more than this share of the half-width wanted is still to come."""
LEAST_BLOCKS = 8
# linear between entries: to 2e-5
_CHANCES = np.array([NormalDist().cdf(i / A_UNIT - FARTHEST) for i in range(round(2 * FARTHEST * A_UNIT) + 2)])
_factor = compiled(t_factor)

# What was asked for; the meter's digit as far as it is known; and what the last look at this stay says, once it was
# ``looked`` at: the settled value in units of the sums' scale, its 95 % half-width, what the approach may still lack,
# the chance of an error beyond what is allowed; the likeliest model, its value's precision, its response and creep
# (0 for none); the noise (see ``estimate``). ``is_late``: the sums have begun anew with the small rest of the approach.
FIT = fields(
    ("wanted", "f8"),
    ("creep_size", "f8"),
    ("digit", "f8"),
    ("is_late", "?"),
    ("looked", "?"),
    ("value", "f8"),
    ("half_width", "f8"),
    ("left", "f8"),
    ("beyond", "f8"),
    ("precision", "f8"),
    ("response", "i8"),
    ("creep", "i8"),
    ("variance", "f8"),
    ("theta_s", "f8"),
    ("ratio", "f8"),
    ("dof", "f8"),
    ("first_block", "i8"),
)


class FitKept(NamedTuple):
    """What the fit of a stay keeps, in records and columns.

    Of the bench: ``pool`` of its noise, log weights of the ``learned`` responses (responses,), ``precision`` (lags,
    lags) and mean ``swings`` (lags,) of a moving pressure's effects. Of the stay: ``belief``, the log weights when its
    sums began; ``late``, what was left of each response then. Of the last look: the likeliest model's ``coefficients``
    (SHARED + 2,), ``evidence`` and ``share`` of each response, the weighted sums ``shared`` and ``own``, priors added.
    """

    its: Record
    pool: Record
    learned: Floats
    precision: Floats
    swings: Floats
    creep_weights: Floats
    belief: Floats
    late: Floats
    coefficients: Floats
    evidence: Floats
    share: Floats
    log_sizes: Floats
    shared: Floats
    own: Floats
    chances: Floats
    near: Floats
    means: Floats
    widths: Floats


def new_fit(settings: Settling, response: BenchResponse | None) -> FitKept:
    """Before any stay; ``response`` is what the bench has shown before."""
    its = new(FIT)
    its["wanted"], its["creep_size"] = settings.wanted, settings.creep_size
    learned = from_kept(response) if response is not None else unlearned()
    chance = settings.creep_chance
    return FitKept(
        its,
        new_pool(learned.noise),
        learned.response,
        learned.precision,
        learned.swings,
        np.log([1 - chance] + [chance / CREEPS] * CREEPS),
        learned.response.copy(),
        np.ones(RESPONSES),
        np.zeros(SHARED + 2),
        np.zeros(RESPONSES),
        np.zeros(RESPONSES),
        np.zeros(RESPONSES),
        np.zeros((SHARED, SIZE)),
        np.zeros((3, RESPONSES)),
        _CHANCES,
        NEAR,
        MEANS,
        WIDTHS,
    )


def shown(fit: FitKept) -> BenchResponse:
    """What the bench has shown so far."""
    return to_keep(Learned(fit.learned, fit.swings, fit.precision, noise_seen(fit.pool)))


@compiled
def begin(fit: FitKept) -> None:
    """Forget this stay: the valve has moved."""
    for i in range(fit.belief.size):
        fit.belief[i], fit.late[i] = fit.learned[i], 1.0
    fit.its.is_late = fit.its.looked = False


@compiled
def level(sums: SumsKept) -> float:
    """Size of the latest reading, in scales; never 0."""
    return max(abs(sums.its.last), 1e-9) if sums.its.n else 1.0


@compiled
def residuals(sums: SumsKept, fit: FitKept) -> tuple[float, float, float]:
    """Of the likeliest model: sum of squares, of neighbours' products, number of parameters; zeros before any."""
    its = fit.its
    if not its.looked:
        return 0.0, 0.0, 0.0
    squares = quadratic(sums.within.shared, sums.within.own, fit.coefficients, its.response)
    products = quadratic(sums.between.shared, sums.between.own, fit.coefficients, its.response)
    parameters = 2.0 + (sums.omegas[its.response] > 0.0) + (its.creep > 0)
    return max(squares, 0.0), 0.5 * products, parameters


@compiled
def look(sums: SumsKept, fit: FitKept, blocks: npt.NDArray[np.void], begun_us: int) -> bool:
    """Look at the record as it is, everything in place since a time; whether the reading is good enough to be taken."""
    its, last = fit.its, sums.rows[sums.its.row]
    size = level(sums)
    its.first_block, samples, digit = survey(blocks, begun_us, _DITHER_BLOCKS)
    _see_noise(sums, fit, samples)
    if digit < math.inf:
        its.digit = digit
    window = blocks[max(its.first_block, blocks.size - _DITHER_BLOCKS) :]
    off = digit_uncertainty(window, its.digit, fit.means, fit.widths)
    ar = whitening(its.variance, its.ratio, its.theta_s, BLOCK_S)
    within, between, ends = sums.within, sums.between, sums.ends
    all_sums = (within.shared, within.own, between.shared, between.own, ends.shared, ends.own)
    weigh(fit.shared, fit.own, all_sums, last, ar)
    creep_size = its.creep_size * size
    lacks = 1.5 * LATE * size if its.is_late else APPROACH_SIZE * size + abs(sums.its.first - sums.its.last)
    pressure = (fit.precision, fit.swings, size)
    add_priors(fit.shared, fit.own, (lacks, fit.late, creep_size), sums.omegas, pressure, fit.log_sizes)
    of_creeps = np.empty(fit.creep_weights.size)
    for i in range(of_creeps.size):
        of_creeps[i] = fit.creep_weights[i] - (math.log(creep_size) if i > 0 else 0.0)
    its.value, its.half_width, its.left, its.beyond, its.precision, its.response, its.creep = settle(
        fit.shared,
        fit.own,
        fit.swings.size,
        (fit.belief, fit.log_sizes, of_creeps),
        last,
        (half_width_factor(its.dof), MISFIT, off * size, _FALSE * its.wanted),
        fit.chances,
        fit.coefficients,
        fit.evidence,
        fit.share,
    )
    its.looked = True
    if not its.is_late and its.left < LATE * size and its.half_width < 3 * LATE * size:
        _narrow(sums, fit, size)
    wanted = its.wanted * abs(its.value)
    near = sums.its.n >= LEAST_BLOCKS and its.half_width <= wanted and its.left <= _LEFT * wanted
    return bool(near and its.beyond <= _BEYOND)


@compiled
def half_width_factor(dof: float) -> float:
    """By how much an uncertain noise widens a 95 % interval."""
    return _factor(dof) / _factor(math.inf)


@compiled
def _see_noise(sums: SumsKept, fit: FitKept, samples: float) -> None:
    """The noise by this stay and the earlier ones; ``samples`` a block."""
    its, of_sums = fit.its, sums.its
    rough = of_sums.bends / max(of_sums.n - 2, 1)
    found = residuals(sums, fit)
    its.variance, its.theta_s, its.ratio, its.dof = estimate(
        fit.pool, found, of_sums.n, samples, rough, level(sums), BLOCK_S
    )


@compiled
def _narrow(sums: SumsKept, fit: FitKept, size: float) -> None:
    """Begin the sums anew with what the large part of the approach has shown of the response."""
    n = fit.share.size
    fit.its.is_late = True
    for i in range(n):
        fit.late[i] = math.exp(-sums.rates[i] * sums.its.since_s)
    if abs(sums.its.first - size) <= LATE * size:
        return
    tempered, total = np.empty(n), 0.0
    for i in range(n):
        tempered[i] = fit.share[i] ** TRUST
        total += tempered[i]
    for i in range(n):
        near = 0.0
        for j in range(n):
            near += fit.near[i, j] * tempered[j]
        fit.belief[i] = math.log((1 - OPEN_SHARE) * near / total + OPEN_SHARE * OPEN[i])
    clear(sums)
    fit.its.looked = False


def learn(sums: SumsKept, fit: FitKept, blocks: npt.NDArray[np.void]) -> None:
    """Carry over to the next stay what this one has shown, if it was long enough."""
    n = int(sums.its["n"])
    if n < LEARNS_FROM:
        return
    _, samples, _ = survey(blocks, 0, 1)
    _see_noise(sums, fit, samples)
    keep(fit.pool, residuals(sums, fit), n, float(fit.its["variance"]), level(sums))
    if not fit.its["looked"]:
        return
    log = fit.belief + fit.evidence
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    fit.learned[:] = np.log((1 - OPEN_SHARE) * (NEAR @ weight) + OPEN_SHARE * OPEN)
    swings, precision = pressure_effects(fit)
    # a step's belief counts half at the next one, and never below a spread of 0.03
    fit.precision[:] = np.linalg.inv(np.linalg.inv(precision) * 2.0 + np.eye(LAGS) * 0.03**2)
    fit.swings[:] = swings


def swing_share(fit: FitKept) -> float:
    """How much of the variance of the value comes from a moving test pressure, by the likeliest model."""
    its = fit.its
    return share_of_swings(fit.shared, fit.own, LAGS, its["creep"], its["response"], its["precision"])


def pressure_effects(fit: FitKept) -> tuple[Floats, Floats]:
    """What the likeliest model says of a moving pressure: effects relative to the reading, and their precision."""
    creep, response = int(fit.its["creep"]), int(fit.its["response"])
    size = abs(float(fit.coefficients[CONSTANT])) or 1.0
    shared = [CONSTANT, CREEP + creep - 1] if creep else [CONSTANT]
    columns = [*shared, SHARED + response, SHARED + RESPONSES + response]
    square, between, other = fit.own[:, response].tolist()
    n = len(shared)
    beside = np.empty((n + 2, n + 2))
    beside[:n] = fit.shared[shared][:, columns]
    beside[n:, :n] = beside[:n, n:].T
    beside[n:, n:] = (square, between), (between, other)
    lags = fit.shared[:LAGS]
    crossed = lags[:, columns]
    precision = lags[:, :LAGS] - crossed @ np.linalg.inv(beside) @ crossed.T
    return fit.coefficients[:LAGS] / size, precision * size**2
