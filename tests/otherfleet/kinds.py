"""Six invented engine families of the second fleet."""

from dataclasses import dataclass

from tests.otherfleet.structures import PLAIN, Limiter, Structure


@dataclass(frozen=True)
class Kind:
    """What all vans of one family share; units in the names or as in `tests.otherfleet.parameters.Engine`."""

    name: str
    litres: float
    cylinders: int
    turbo: bool
    banks: int
    air: str  # volts, hertz, g_s
    air_rate_hz: float | None  # bus rate, else the recorder's
    king: tuple[float, float, float]  # U = a sqrt(0.3 + m^n) - b, m in g/s; hertz: f = a + b m^n
    air_lag_s: float
    oxygen: str  # narrowband, wideband, ratio
    polarity: str | None
    pump_v: tuple[float, float, float]  # wideband: volts at phi 0 and 1.5, and the curvature
    tau_s: float
    tau_lean_factor: float
    limit_rpm: float
    bounce: bool
    idle_rpm: float
    inertia: float
    fill: float
    fill_best_rpm: float
    fill_fall: float
    friction: tuple[float, float, float]
    plenum_l: float
    bore_mm: float
    column_hz: float
    column_damping: float
    boost: float
    film_share: float
    film_s: float
    rich_target: float
    rich_delay_s: float
    cut_delay_s: float
    pipe_l: float
    mixing_l: float
    carry: float
    plate_lag_s: float
    recirculation: float  # share of full flow
    pulse: float  # pulsation at the sensor at full load, share of flow
    bus_speed: bool = False
    structure: Structure = PLAIN

    @property
    def unenriched(self) -> bool:
        """Nothing is added at full load; a switching sensor can't hold lambda 1 there, and its family enriches."""
        return self.structure.enrichment == "none" and self.oxygen != "narrowband"

    @property
    def held_rich(self) -> bool:
        """The loop holds the rich mixture of full load, by a sensor that gives a ratio."""
        return self.structure.enrichment == "held" and self.oxygen != "narrowband"

    @property
    def limiter(self) -> Limiter:
        """What limits the speed."""
        return self.structure.limiter or ("fuel" if self.bounce else "retard")


KINDS: dict[str, Kind] = {
    k.name: k
    for k in (
        Kind(
            "harrow-16",
            1.6,
            4,
            False,
            1,
            "volts",
            None,
            (2.001, 1.692, 0.55),
            0.012,
            "wideband",
            "rich_low",
            (4.6, 0.35, 0.4),
            0.052,
            1.15,
            5350,
            False,
            790,
            0.115,
            0.86,
            4300,
            0.30,
            (0.75e5, 0.16e5, 0.014e5),
            2.4,
            46,
            15.0,
            0.75,
            0.0,
            0.12,
            0.11,
            0.89,
            0.12,
            0.22,
            0.55,
            0.55,
            0.8,
            0.035,
            0.0,
            0.035,
        ),
        Kind(
            "fen-30",
            3.0,
            6,
            False,
            2,
            "volts",
            None,
            (1.677, 1.542, 0.545),
            0.018,
            "narrowband",
            "rich_high",
            (0.0, 0.0, 0.0),
            0.070,
            1.35,
            5100,
            False,
            660,
            0.205,
            0.84,
            3900,
            0.35,
            (0.80e5, 0.13e5, 0.016e5),
            4.6,
            64,
            11.0,
            0.80,
            0.0,
            0.13,
            0.12,
            0.88,
            0.20,
            0.35,
            1.1,
            0.9,
            0.7,
            0.045,
            0.0,
            0.020,
        ),
        Kind(
            "tarn-10",
            1.0,
            3,
            True,
            1,
            "hertz",
            None,
            (820.0, 705.0, 0.62),
            0.008,
            "wideband",
            "rich_high",
            (0.6, 4.1, 0.0),
            0.034,
            1.0,
            5900,
            False,
            880,
            0.085,
            0.80,
            3600,
            0.28,
            (0.85e5, 0.15e5, 0.010e5),
            1.9,
            40,
            18.0,
            0.65,
            0.12,
            0.10,
            0.09,
            0.92,
            0.08,
            0.15,
            0.35,
            0.45,
            0.9,
            0.030,
            0.05,
            0.060,
        ),
        Kind(
            "moor-20",
            2.0,
            4,
            True,
            1,
            "g_s",
            100.0,
            (0.0, 1.0, 1.0),
            0.015,
            "ratio",
            None,
            (0.0, 0.0, 0.0),
            0.045,
            1.1,
            4200,
            False,
            760,
            0.165,
            0.82,
            3300,
            0.30,
            (0.85e5, 0.17e5, 0.012e5),
            3.2,
            54,
            13.0,
            0.70,
            0.09,
            0.11,
            0.10,
            0.90,
            0.15,
            0.28,
            0.6,
            0.7,
            1.0,
            0.060,
            0.06,
            0.03,
            True,
        ),
        Kind(
            "dale-24",
            2.4,
            4,
            False,
            1,
            "volts",
            None,
            (1.775, 1.483, 0.555),
            0.022,
            "narrowband",
            "rich_high",
            (0.0, 0.0, 0.0),
            0.085,
            1.2,
            4900,
            True,
            740,
            0.185,
            0.85,
            4000,
            0.32,
            (0.80e5, 0.16e5, 0.015e5),
            3.6,
            56,
            12.0,
            0.85,
            0.0,
            0.10,
            0.09,
            0.88,
            0.08,
            0.30,
            0.9,
            0.8,
            0.7,
            0.030,
            0.0,
            0.045,
        ),
        Kind(
            "crag-18",
            1.8,
            4,
            True,
            1,
            "volts",
            None,
            (1.978, 1.879, 0.54),
            0.010,
            "wideband",
            "rich_low",
            (4.4, 0.5, 0.55),
            0.040,
            1.1,
            5600,
            False,
            820,
            0.135,
            0.83,
            3700,
            0.28,
            (0.85e5, 0.15e5, 0.013e5),
            2.6,
            50,
            16.0,
            0.70,
            0.10,
            0.11,
            0.10,
            0.87,
            0.10,
            0.20,
            0.5,
            0.5,
            0.9,
            0.040,
            0.07,
            0.04,
        ),
    )
}
