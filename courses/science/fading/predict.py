"""Posterior predictive: when each part, and the tattoo, is done; what is gone so far."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from courses.science.fading.grid import TINY, Array, Posterior, log_rate

QUANTILES = (0.1, 0.5, 0.9)


@dataclass(frozen=True, slots=True)
class Prediction:
    """For L live segments of C tattoos, with n = 0 .. horizon further sessions (N).

    `part_done` (L, N) and `tattoo_done` (C, N): probability to be done within n. `rate` and
    `gone` (L, 3): P10, P50, P90 of the fall of log ink per session and of the log ink gone so
    far. `live`: the rows of the posterior's stack.
    """

    live: NDArray[np.intp]
    part_done: Array
    tattoo_done: Array
    rate: Array
    gone: Array


def predict(posterior: Posterior, *, log_goal: Array, horizon: int) -> Prediction:
    """Predict the remaining sessions of every tattoo of a posterior.

    `log_goal` (C): log of the ink to start with over the ink allowed to be left.
    """
    live = np.flatnonzero(posterior.stack.live)
    given = _done_given_patient(posterior, live=live, log_goal=log_goal, horizon=horizon)
    weight = posterior.patient[posterior.stack.case[live]]
    rate = _rate_quantiles(posterior, live=live, weight=weight)
    stacked = posterior.stack
    return Prediction(
        live=live,
        part_done=_clip(np.einsum("la,lan->ln", weight, given)),
        tattoo_done=_clip(_tattoo(posterior, given=given, live=live)),
        rate=rate,
        gone=rate * stacked.exposure[live][:, None] + stacked.offset[live][:, None],
    )


def _done_given_patient(
    posterior: Posterior, *, live: NDArray[np.intp], log_goal: Array, horizon: int
) -> Array:
    """P(segment done within n | patient point, its own grades), (L, A, N)."""
    stacked = posterior.stack
    missing = np.maximum(log_goal[stacked.case[live]] - stacked.offset[live], 0.0)
    effect = stacked.exposure[live][:, None] + stacked.planned[live][:, None] * np.arange(
        horizon + 1
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        need = np.log(missing[:, None]) - np.log(effect)
    cut = (need - stacked.mean[live][:, None]) / stacked.log_sd[live][:, None]
    # A part that needs nothing more is done whatever its rate; 0 effect never does anything.
    return _above_given_patient(
        posterior, live=live, cut=np.where(missing[:, None] <= 0, -np.inf, cut)
    )


def _above_given_patient(posterior: Posterior, *, live: NDArray[np.intp], cut: Array) -> Array:
    """P(b > cut | patient point, the segment's own grades); cut (L, N) -> (L, A, N)."""
    masses = _masses_above(posterior.likelihood[live], cut=cut, points=posterior.grid.part)
    given = posterior.grid.kernel @ masses
    result: Array = given / np.maximum(posterior.evidence[live], TINY)[:, :, None]
    return result


def _masses_above(density: Array, *, cut: Array, points: Array) -> Array:
    """Densities on the points, weighted so that a sum integrates from the cut upwards.

    `density` (L, B), `cut` (L, N) -> (L, B, N). The integral from a cut inside a cell is that of
    the piecewise cubic convolution interpolant (Keys 1981), so the error is of third order.
    """
    step = points[1] - points[0]
    position = np.clip((cut - points[0]) / step, 2.0, points.size - 3.0)
    cell = np.floor(position).astype(np.intp)
    masses = np.where(
        np.arange(points.size)[None, :, None] > cell[:, None, :] + 2, density[:, :, None], 0.0
    )
    row = np.arange(density.shape[0])[:, None]
    column = np.arange(cut.shape[1])[None, :]
    for near in range(-1, 3):
        at = cell + near
        masses[row, at, column] = density[row, at] * _smooth_step(at - position)
    return masses


def _smooth_step(away: Array) -> Array:
    """Integral of the cubic convolution kernel (a = -1/2) from -2 to `away`, 0 to 1."""
    r = np.minimum(np.abs(away), 2.0)
    inner = r - (5 / 6) * r**3 + (3 / 8) * r**4
    outer = -(r**4) / 8 + (5 / 6) * r**3 - 2 * r**2 + 2 * r - 1 / 6
    result: Array = 0.5 + np.sign(away) * np.where(r <= 1, inner, outer)
    return result


def _tattoo(posterior: Posterior, *, given: Array, live: NDArray[np.intp]) -> Array:
    """P(all live segments of a tattoo done within n), (C, N); 1 where nothing is left."""
    case = posterior.stack.case[live]
    result = np.ones((posterior.stack.cases, given.shape[2]))
    if not case.size:
        return result
    first = np.flatnonzero(np.diff(case, prepend=-1))
    together = np.multiply.reduceat(given, first, axis=0)
    owners = case[first]
    result[owners] = np.einsum("ca,can->cn", posterior.patient[owners], together)
    return result


def _rate_quantiles(posterior: Posterior, *, live: NDArray[np.intp], weight: Array) -> Array:
    """P10, P50, P90 of k for each live segment, (L, 3)."""
    marginal = _marginal(posterior, live=live, weight=weight)
    total = np.cumsum(marginal, axis=1) - marginal / 2
    rate = np.exp(log_rate(posterior.stack, grid=posterior.grid)[live])
    result = np.empty((live.size, len(QUANTILES)))
    row = np.arange(live.size)
    for column, quantile in enumerate(QUANTILES):
        above = np.clip((total < quantile).sum(axis=1), 1, total.shape[1] - 1)
        low, high = total[row, above - 1], total[row, above]
        share = np.where(high > low, (quantile - low) / np.maximum(high - low, TINY), 0.5)
        left, right = rate[row, above - 1], rate[row, above]
        result[:, column] = left + np.clip(share, 0.0, 1.0) * (right - left)
    return result


def _marginal(posterior: Posterior, *, live: NDArray[np.intp], weight: Array) -> Array:
    """Posterior weights of the part points of each live segment, (L, B)."""
    ratio = weight / np.maximum(posterior.evidence[live], TINY)
    marginal = posterior.likelihood[live] * (ratio @ posterior.grid.kernel)
    result: Array = marginal / marginal.sum(axis=1, keepdims=True)
    return result


def _clip(probability: Array) -> Array:
    """Probabilities within 0 and 1 that never fall with n."""
    result: Array = np.maximum.accumulate(np.clip(probability, 0.0, 1.0), axis=1)
    return result
