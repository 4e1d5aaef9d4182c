"""Where a baseline starts again or is doubted: after a repair, for the quantities it may have touched, or new engine-control software."""

import itertools
from collections.abc import Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.signals import QUANTITIES
from models.statistics.arrays import Codes
from models.tracking.scales import base_name

NO_RESTART, CHANGED, REPAIRED = 0, 1, 2


def repaired_quantities(work: str) -> frozenset[str]:
    """The tracked quantities a repair may have touched; everything when its words name nothing known.

    Parameters
    ----------
    work : str
        Work and parts as written.

    Returns
    -------
    frozenset of str
        Names of data_contracts/signals.py.
    """
    words = work.casefold()
    touched: set[str] = set()
    for keys, quantities in _TOUCHED.items():
        if any(key in words for key in keys):
            touched.update(quantities)
    tracked = [q for q in QUANTITIES if QUANTITIES[q].tracked]
    return frozenset(q for q in tracked if not touched or base_name(q) in touched)


_AIRFLOW = ("idle_g_s", "first_peak_g_s", "main_peak_reference_g_s", "recirculation_pulse_g_s", "throttle_opened", "run_up_time_s", "flow_per_rev_mg")  # fmt: skip
_TRIMS = ("trim_idle_pct", "trim_2500_pct")
_LAMBDA = tuple(
    q for q in QUANTITIES if QUANTITIES[q].tracked and QUANTITIES[q].group == "lambda" and q == base_name(q)
)
_RESPONSE = tuple(q for q in _LAMBDA if "_to_rich_" in q or "_to_lean_" in q)
_MIXTURE = tuple(q for q in _LAMBDA if q not in _RESPONSE)
_TOUCHED: Mapping[tuple[str, ...], tuple[str, ...]] = {
    ("air-mass", "air mass", "airflow", "maf", "throttle", "intake", "inlet", "air filter", "turbo", "charge", "recirculation"): (*_AIRFLOW, *_TRIMS, "lambda_full_throttle", "lambda_full_throttle_v"),
    ("vacuum", "manifold", "gasket", "breather", "unmetered", "purge"): (*_AIRFLOW, *_TRIMS, *_MIXTURE),
    ("lambda", "oxygen"): (*_LAMBDA, *_TRIMS),
    ("inject", "fuel", "pump", "rail", "regulator"): (*_MIXTURE, *_TRIMS),
    ("ignition", "spark", "coil", "plug"): (*_MIXTURE, "run_up_time_s"),
    ("exhaust", "catalyst", "manifold", "silencer"): (*_AIRFLOW, *_LAMBDA, *_TRIMS),
}  # fmt: skip


def restarts_of(
    visits: pl.DataFrame, quantities: tuple[str, ...], repairs: pl.DataFrame, starts: Codes
) -> NDArray[np.int8]:
    """Where baselines start again (repairs, for what they touched) or are doubted (another engine-control software)."""
    restart = np.zeros((visits.height, len(quantities)), np.int8)
    software = visits["ecu_software"].to_list()
    is_first = np.zeros(visits.height, bool)
    is_first[starts[:-1]] = True
    known: str | None = None
    for row, name in enumerate(software):
        if is_first[row]:
            known = name
        elif name is not None:
            if known is not None and name != known:
                restart[row] = CHANGED
            known = name
    if repairs.height:
        moments = visits["captured_at"].to_numpy()
        first_of = {visits["van_id"][int(s)]: (int(s), int(e)) for s, e in itertools.pairwise(starts)}
        for repair in repairs.sort("van_id", "done_at").iter_rows(named=True):
            if repair["van_id"] not in first_of:
                continue
            begin, end = first_of[repair["van_id"]]
            done = np.datetime64(repair["done_at"].replace(tzinfo=None), "us")
            row = begin + int(np.searchsorted(moments[begin:end], done, side="right"))
            if row < end and row > begin:
                touched = repaired_quantities(f"{repair['work']} {repair['parts'] or ''}")
                restart[row, [q for q, name in enumerate(quantities) if name in touched]] = REPAIRED
    return restart
