"""Which quantities a repair may have touched, told from its words."""

from collections.abc import Mapping

from data_contracts.signals import QUANTITIES
from models.tracking.scales import base_name


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
