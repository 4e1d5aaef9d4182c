"""The quantity in which the sensor's lag is linear (its signal, 1/lambda or lambda), chosen from the trace where
possible.

The characteristic is curved, so a lag that is first order in one quantity is not so in the others, and a fit in the
wrong one is off by up to a third of the time constant. Only a step from a steady level, as on a bench, shows the
difference: after a tip-in blip the mixture itself is no step. The recorded signal is the default; another quantity is
taken only where its residual is significantly smaller.
"""

from dataclasses import replace

import numpy as np

from models.physics.lambda_scale import LambdaScale
from models.reading.lambda_trace.step_model import Fit
from models.reading.lambda_trace.step_responses import FOUND, Edges, find_edges
from models.statistics.arrays import Codes, Floats

# Another quantity is taken when it lowers chi-squared by this much, in independent samples: odds of about 20 to 1. All
# are compared in the recorded signal, where the noise is uniform. A smooth residual has few independent samples, so the
# difference has to be large there. [1]
GAIN = 6.0
# A larger departure from first order is not due to the characteristic, and another quantity can't help. [1]
BENT = 0.06
BEFORE_S = 0.05


def _curve(fit: Fit, time: Floats) -> Floats:
    """The fitted responses, one row each."""
    start, constant, before, step, ramp = (column[:, None] for column in fit[:5])
    s = np.maximum(time - start, 0.0)
    rise = 1.0 - np.exp(-s / constant)
    return np.asarray(before + step * rise + ramp * (s - constant * rise))


def settle_domain(
    edges: Edges,
    x: Floats,
    scale: LambdaScale,
    *,
    interval_s: float,
    to_rich: bool,
    event: Codes,
    until: Codes,
    noise: Floats,
    least: float,
) -> Edges:
    """Refit edges that are not first order in the recorded signal, in 1/lambda and lambda, and keep clearly better
    fits.

    Parameters
    ----------
    edges : Edges
        Identified in the recorded signal.
    x : ndarray of shape (captures, blocks)
        Richness. [unit of richness]
    scale : LambdaScale
        Its scale; narrowband edges are returned as they are.
    interval_s, to_rich, event, until, noise, least
        As for `models.reading.lambda_trace.step_responses.find_edges`. [s], bool, [blocks], [blocks], [unit of
        richness], [unit of richness]

    Returns
    -------
    Edges
        Times and their uncertainties from the quantity that fits best; levels in units of richness.
    """
    if scale.form == "narrowband":
        return edges
    with np.errstate(invalid="ignore"):
        step = np.abs(edges.fit.step)
        bent = (
            (edges.code == FOUND) & edges.clean & ~edges.cut_off & ~edges.goes_on & (edges.fit.residual < BENT * step)
        )
    rows = np.flatnonzero(bent)
    if rows.size == 0:
        return edges
    fit, near = Fit(*(column.copy() for column in edges.fit)), Fit(*(column[rows] for column in edges.fit))
    time: Floats = np.arange(x.shape[1], dtype=np.float64) * interval_s
    shown = (time > event[rows, None] * interval_s - BEFORE_S) & (time < (near.start + 6.0 * near.constant)[:, None])
    shown &= np.isfinite(x[rows]) & (np.arange(x.shape[1]) < until[rows, None])
    samples = shown.sum(axis=1)
    squares = (((x[rows] - _curve(near, time)) ** 2) * shown).sum(axis=1)
    middle = near.before + 0.5 * near.step
    slope, there = scale.lambda_slope(middle), scale.lambda_of(middle)
    ratio = scale.lambda_of(np.clip(x[rows], scale.lean_end, scale.rich_end))
    others = [(False, -ratio, slope)]
    if scale.form == "wideband":
        others.append((True, 1.0 / ratio, slope / there**2))
    for inverse, y, per in others:
        other = find_edges(
            y,
            interval_s=interval_s,
            to_rich=to_rich,
            event=event[rows],
            until=until[rows],
            noise=noise[rows] * per,
            least=least * float(np.nanmedian(per)),
        )
        with np.errstate(invalid="ignore", divide="ignore"):
            model = _curve(other.fit, time)
            back = scale.richness_of(1.0 / model if inverse else -model)
            then = (((x[rows] - back) ** 2) * shown).sum(axis=1)
            independent = samples / other.fit.correlation
            better = (other.code == FOUND) & ((squares / then - 1.0) * independent > GAIN)
        found = other.fit
        fit.start[rows[better]], fit.start_u[rows[better]] = found.start[better], found.start_u[better]
        fit.constant[rows[better]], fit.constant_u[rows[better]] = found.constant[better], found.constant_u[better]
        fit.residual[rows[better]] = np.sqrt(then / samples)[better]
        squares = np.where(better, then, squares)
    return replace(edges, fit=fit)
