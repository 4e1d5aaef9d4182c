"""Words by which recorders head their columns, in English and German, for a first guess at what a column holds.

Words of the trade at large and of SAE J1979's list of values; common practice, no source. Whole words, in small letters;
a word that ends in `*` may go on.
"""

TIME_WORDS = (
    "time*",
    "zeit*",
    "t",
    "uhrzeit",
    "seconds",
    "sekunden",
    "elapsed*",
    "laufzeit",
    "ms",
    "messzeit",
    "abtastzeit",
    "date time",
)
"""Of the time column."""

HEADER_WORDS: dict[str, tuple[str, ...]] = {
    "coolant_c": ("coolant*", "ect", "clt", "kühlmittel*", "kuehlmittel*", "kühlwasser*", "wassertemp*", "motortemp*"),
    "intake_air_c": (
        "intake air temp*",
        "iat",
        "inlet air temp*",
        "air temp*",
        "ansauglufttemp*",
        "lufttemp*",
        "ansaugtemp*",
        "intake temp*",
        "intake air",
        "ansaugluft",
    ),
    "barometer_kpa": (
        "baro*",
        "atmospheric pressure",
        "ambient pressure",
        "luftdruck",
        "umgebungsdruck",
        "atmosphärendruck",
    ),
    "humidity_pct": ("humidity", "relative humidity", "luftfeucht*", "feuchte"),
    "airflow": (
        "air mass*",
        "airmass*",
        "mass air*",
        "air flow*",
        "airflow*",
        "maf*",
        "luftmasse*",
        "luftmengen*",
        "luftstrom",
        "ansaugluftmasse*",
        "lmm",
        "hfm",
    ),
    "map_kpa": (
        "manifold pressure",
        "manifold absolute*",
        "intake manifold*",
        "map",
        "saugrohrdruck",
        "saugrohr*",
    ),
    "lambda": (
        "lambda*",
        "λ",
        "o2*",
        "oxygen*",
        "sauerstoff*",
        "afr*",
        "air fuel*",
        "wideband*",
        "breitband*",
        "sprungsonde*",
        "narrowband*",
    ),
    "throttle_pct": ("throttle*", "tps", "drossel*", "dk stellung"),
    "pedal_pct": ("pedal*", "accelerator*", "fahrpedal*", "gaspedal*"),
    "engine_rpm": ("engine speed", "engine rpm", "rpm", "drehzahl", "motordrehzahl", "engine_speed", "n mot"),
    "fuel_pressure_kpa": (
        "fuel pressure",
        "fuel rail*",
        "rail pressure",
        "kraftstoffdruck",
        "raildruck",
        "benzindruck",
    ),
    "battery_v": ("battery*", "batterie*", "bordspannung", "supply voltage", "ubat", "vbat*"),
}
"""By canonical channel or condition; of air mass and lambda the unit tells which channel it is. The first that fits counts."""

UNIT_TELLS = ("intake air", "ansaugluft", "kühlmittel", "kuehlmittel")
"""Words of temperatures that count only where the file names a unit of temperature: they may head a flow or a level too."""

ELSEWHERE_WORDS = (
    "desired",
    "target",
    "soll*",
    "commanded",
    "downstream",
    "post cat*",
    "nach kat*",
    "nachkat*",
    "b1s2",
    "b2s2",
    "sensor 2",
    "sonde 2",
    "heater",
    "heizung",
)
"""Of columns that are not what their other words say: set values, and sensors downstream of the catalyst."""

BANK2_WORDS = ("bank 2", "bank2", "b2", "b2s1", "reihe 2", "bank ii")
"""Of the second bank."""
