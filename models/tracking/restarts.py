"""Which quantities a repair may have touched, told from its words."""

from collections.abc import Mapping

from data_contracts.quantities.record import RepairKind
from data_contracts.signals import TRACKED, tracking_of

_NAMED_BY: Mapping[RepairKind, tuple[str, ...]] = {
    "air_path": (
        "air-mass", "air mass", "airflow", "maf", "throttle", "intake", "inlet", "air filter", "turbo", "charge", "recirculation",
    ),
    "air_leak": ("vacuum", "manifold", "gasket", "breather", "unmetered", "purge"),
    "lambda": ("lambda", "oxygen"),
    "fuel": ("inject", "fuel", "pump", "rail", "regulator"),
    "ignition": ("ignition", "spark", "coil", "plug"),
    "exhaust": ("exhaust", "catalyst", "manifold", "silencer"),
}  # fmt: skip


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
    kinds = {kind for kind, named in _NAMED_BY.items() if any(word in words for word in named)}
    return frozenset(q for q in TRACKED if not kinds or kinds.intersection(tracking_of(q).repaired_by))
