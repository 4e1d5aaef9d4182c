"""Fuel trims, as the manifest of a delivery gives them."""

from data_contracts.bilingual import Words
from data_contracts.quantities.record import Hurts, Method, Need, Plainly, Quantity, RepairKind, Tracking

_MIXTURE: tuple[RepairKind, ...] = (
    "air_mass_sensor",
    "inlet_leak",
    "fuel_supply",
    "injectors",
    "lambda_sensor",
    "exhaust_leak",
)
# Trim per logarithm of the fuel's air–fuel ratio: blends with a lower ratio need more fuel. [%]
_LEANER_FUEL = {"fuel": (-100.0, 30.0)}

_TRIM = Method(
    "As delivered: short plus long fuel trim, settled.",
    "0.5 %: the step of 0.78 % in which a scan tool shows it, and its fluctuation.",
    "Scaling of SAE J1979.",
)

TRIMS: tuple[Quantity, ...] = (
    Quantity(
        "trim_idle_pct",
        "%",
        "trims",
        Words("fuel trim at idle", "Kraftstofftrimm im Leerlauf"),
        Words(
            "short plus long fuel trim settled at idle; + adds fuel",
            "kurz- plus langfristiger Kraftstofftrimm, im Leerlauf eingelernt; + gibt Kraftstoff zu",
        ),
        Need("manifest", snap=False),
        _TRIM,
        tracking=Tracking(
            "plain",
            0.4,
            _MIXTURE,
            surroundings=_LEANER_FUEL,
            hurts=Hurts("now", "stranding", high="trim_idle_most_pct", mirrored=True),
        ),
        shown={"board": 8},
        plainly=Plainly(
            Words("trim", "Trimm"),
            Words("fuel added at idle", "Kraftstoff wird im Leerlauf zugegeben"),
            Words("fuel taken off at idle", "Kraftstoff wird im Leerlauf weggenommen"),
        ),
    ),
    Quantity(
        "trim_2500_pct",
        "%",
        "trims",
        Words("fuel trim at 2,500 rpm", "Kraftstofftrimm bei 2.500 1/min"),
        Words(
            "short plus long fuel trim settled at 2,500 rpm; + adds fuel",
            "kurz- plus langfristiger Kraftstofftrimm, bei 2.500 1/min eingelernt; + gibt Kraftstoff zu",
        ),
        Need("manifest", snap=False),
        _TRIM,
        tracking=Tracking(
            "plain",
            0.4,
            _MIXTURE,
            surroundings=_LEANER_FUEL,
            hurts=Hurts("now", "stranding", high="trim_2500_most_pct", mirrored=True),
        ),
        plainly=Plainly(
            Words("trim", "Trimm"),
            Words("fuel added at 2,500 rpm", "Kraftstoff wird bei 2.500 1/min zugegeben"),
            Words("fuel taken off at 2,500 rpm", "Kraftstoff wird bei 2.500 1/min weggenommen"),
        ),
    ),
)
