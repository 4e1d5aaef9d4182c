"""The traces of stored snaps, for drawing: time from the opening, air mass flow, lambda."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipelines import queries
from pipelines.published import Published


@dataclass(frozen=True)
class Traces:
    """Both traces of one snap.

    Attributes
    ----------
    time_s : ndarray of shape (samples,)
        From the opening. [s]
    airflow : ndarray of shape (samples,)
        NaN where nothing was recorded. [g/s]
    lambda_signal : ndarray of shape (samples,)
        1/lambda; a narrowband sensor's volts. NaN where nothing was recorded. [1 or V]
    """

    time_s: NDArray[np.float64]
    airflow: NDArray[np.float64]
    lambda_signal: NDArray[np.float64]


def traces(published: Published, capture_ids: Sequence[str]) -> dict[str, Traces]:
    """Traces of some captures; one without a drawable snap is left out.

    Parameters
    ----------
    published : Published
        The read side.
    capture_ids : sequence of str
        Captures.

    Returns
    -------
    dict of str to Traces
    """
    found: dict[str, Traces] = {}
    for row in queries.shapes(published, capture_ids).iter_rows(named=True):
        airflow = np.array(row["airflow"] or [], dtype=np.float64)
        signal = np.array(row["lambda_signal"] or [], dtype=np.float64)
        if not np.isfinite(airflow).any():
            continue
        if signal.size != airflow.size:
            signal = np.full(airflow.size, np.nan)
        found[row["capture_id"]] = Traces(np.linspace(-0.5, 3.0, airflow.size), airflow, signal)
    return found
