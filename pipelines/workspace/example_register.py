"""What `vansnap init` writes: commented examples a fleet can start from."""

from data_contracts.entries import key_tables
from data_contracts.family import FamilyEntry
from data_contracts.recorder import RecorderEntry
from data_contracts.recorder_units import CONDITIONS, UNITS
from data_contracts.signals import SIGNALS
from data_contracts.tables import PART_PREFIX, REGISTER_COLUMNS
from data_contracts.work_done.entry import WorkEntry
from pipelines.workspace.settings import SETTINGS_TEMPLATE

_FAMILIES = """\
# One table per engine family; the key is what vans.csv names in its column `family`.
# Figures here are an example: take yours from the maker's documents or from known-good vans.
# Every key is explained in README.md beside this file; any table may say `source = "…"`.

# [example-20]
# displacement_l = 2.0
# cylinders = 4
# aspiration = "natural"            # "natural" | "turbo"
# max_free_rpm = 6100               # highest speed with no load
# throttle_open_pct = 100           # optional: what the throttle channel reads fully open
# lambda_banks = 1                  # optional: 1 or 2
# fuel = "petrol"                   # optional: "petrol" | "lpg" | "cng", what its vans are recorded on
# hybrid = "none"                   # optional: "none" | "mild" | "full"; adds how to get the engine to run, and when not
# warranty_km = 100000              # optional: where warranty ends, for vans whose own warranty_until_km is empty
#
# [example-20.airflow_sensor]
# kind = "volts"                    # "volts" | "hertz" | "g_s" | "map_kpa" (manifold pressure, engine speed beside it)
# range_v = [0.0, 5.0]
# transfer_v = [0.2, 1.0, 2.0, 3.0, 4.0, 5.0]        # transfer_hz for "hertz"; none for "g_s" and "map_kpa"
# transfer_g_s = [0.5, 3.5, 14.0, 40.0, 92.0, 190.0]
#
# [example-20.main_peak]            # at 25 °C, 99 kPa, dry air; these two volts: common practice, no source
# expected_v = 4.70                 # or expected_g_s
# low_limit_v = 4.50                # or low_limit_g_s
#
# [example-20.lambda_sensor]
# kind = "wideband"                 # "narrowband" | "wideband" | "ratio" | "none"
# polarity = "rich_low"             # "rich_low" | "rich_high"; never guessed
# characteristic_v = [0.6, 1.2, 1.9, 2.5, 3.2, 4.4]  # wideband volts only
# characteristic_lambda = [0.65, 0.8, 0.92, 1.0, 1.2, 2.4]
# range_lambda = [0.75, 1.99]       # optional, where a ratio is recorded: the lowest and highest it can say
#
# [example-20.lambda_response]
# expected_time_constant_s = 0.060
# time_constant_limit_s = 0.150
#
# [example-20.limits]               # a van beyond these is called in, whatever its own past; all optional, these are the defaults
# lambda_full_throttle_high = 1.0   # leaner under load damages the engine
# trim_idle_most_pct = 25.0         # to either side
"""

_VANS = """\
van_id,family,depot,in_service_on,warranty_until,odometer_km,lambda_banks,note
# van-001,example-20,north,2024-03-01,2027-03-01,42000,,rows that start with # are left out
"""

_REPAIRS = """\
van_id,done_at,work,parts,work_order,note
# van-001,2026-03-02T10:00:00+00:00,air-mass sensor replaced,air-mass sensor,,a repair starts a new baseline for what it touched
"""

_WORK = """\
# What work on a van touches, beside the words the software knows; `vansnap check` lists entries of repairs.csv it does
# not understand. One table per work, under a name of yours; keys are explained in README.md beside this file.

# [tank-unit]
# words = ["tank unit", "tank module"]
# part_numbers = ["TU-20*"]         # * any characters, ? one
# like = ["fuel_supply"]            # touches as much as this; or causes = [...], or touches = [quantities]
#
# [load-area]                       # without those three it touches nothing
# words = ["shelf", "partition"]
"""

_AWAY = """\
van_id,first_day,last_day,reason
# van-001,2026-07-01,2026-07-14,days on which no workshop can have it; the file need not be there
"""

_RECORDER = """\
# A recorder profile maps a recorder's file to the canonical columns. The manifest names it in its column
# `recorder` by the stem of this file. Keys are explained in the README.md of the register.
# `vansnap read FILE` proposes one for a file that none fits.

[profile]
delimiter = ";"
decimal = ","
encoding = "utf-8"
skip_rows = 0
missing_text = ["overflow"]
empty_cell = "missing"              # "missing" | "unchanged"
# bits = 12                         # of its converter, and the voltage all of its steps span: how true its volts are taken to be
# range_v = 5.0
# offset_u_v = 0.0028               # or so by its calibration: standard uncertainty of its zero [V] and gain [1]
# gain_u = 0.00056

[time]
column = "Time"                     # or a list of headers it may have; of_file = true for WAV and MDF
unit = "ms"
# repeated = "spread"               # "refused" | "spread" | "merged": what samples of one time stamp are

[channels.airflow_v]
column = "Channel A"
scale = 0.001                       # source in mV

[channels.lambda_v]
column = "Channel B"
scale = 0.001

# [channels.lambda_ratio]           # from an instrument that shows an air-fuel ratio
# column = ["AFR", "A/F"]
# unit = "AFR"
# stoichiometric = 14.7             # what it shows at lambda 1: see its setting (14.7: common practice, no source); or fuel = "E10"

# [conditions.coolant_c]            # used where manifest or command line say nothing
# column = "Coolant"
# unit = "°C"
"""

_README_INTRO = """\
# The fleet register

Written by `vansnap init` and read by every run. Keys and columns that are not listed here are refused, naming the
nearest known one; `vansnap check` and the board's quarantine list what is refused. A refused column or row is left out
and the rest of its file used, a family with a fault stops its own vans, a recorder with a fault its own recordings.
Every table of a TOML file may say `source = "…"`. `vansnap read FILE` proposes a recorder profile for a file that none fits.
"""


_HOW_WRITTEN = {
    "day": ", such as 2024-03-01",
    "moment": ": a day, or ISO 8601 with a UTC offset",
    "number": ", a number with a decimal point",
    "integer": ", a whole number",
}


def _readme() -> str:
    """Every key and column of the register, from the contracts that check them."""
    parts = [_README_INTRO]
    for file, columns in REGISTER_COLUMNS.items():
        rows = [(c.name, c.required, c.description + _HOW_WRITTEN.get(c.type, "")) for c in columns]
        if file == "vans.csv":
            rows.append((f"{PART_PREFIX}NAME", False, "number of the part NAME; one column for each part"))
        parts.append(_key_table(f"{file} (UTF-8, commas)", "column", rows))
    for file, model, table in (
        ("families.toml", FamilyEntry, "FAMILY"),
        ("recorders/NAME.toml", RecorderEntry, ""),
        ("work.toml (the file need not be there)", WorkEntry, "WORK"),
    ):
        for heading, keys in key_tables(model, table):
            if len(keys) > 1:  # more than its source
                parts.append(_key_table(f"{file}: {heading}", "key", keys))
    measured = [(s.name, s.description, ", ".join(UNITS[s.unit])) for s in SIGNALS.values()]
    parts.append(_unit_table("recorders/NAME.toml: units in [channels]", "channel", measured))
    told = [
        (name, f"{low:g} to {high:g} {unit}; used where manifest or command line say nothing", ", ".join(UNITS[unit]))
        for name, (unit, low, high) in CONDITIONS.items()
    ]
    parts.append(_unit_table("recorders/NAME.toml: units in [conditions]", "condition", told))
    return "\n".join(parts)


def _key_table(title: str, what: str, rows: list[tuple[str, bool, str]]) -> str:
    lines = [f"## {title}", "", f"| {what} | needed | what to give |", "| --- | --- | --- |"]
    lines += [f"| {name} | {'yes' if needed else ''} | {text} |" for name, needed, text in rows]
    return "\n".join(lines) + "\n"


def _unit_table(title: str, what: str, rows: list[tuple[str, str, str]]) -> str:
    """As `_key_table`, with the units a profile may name, the canonical one first."""
    lines = [f"## {title}", "", f"| {what} | what it is | units |", "| --- | --- | --- |"]
    lines += [f"| {name} | {text} | {units} |" for name, text, units in rows]
    return "\n".join(lines) + "\n"


EXAMPLE_FILES: dict[str, str] = {
    "settings.toml": SETTINGS_TEMPLATE,
    "register/README.md": _readme(),
    "register/families.toml": _FAMILIES,
    "register/vans.csv": _VANS,
    "register/repairs.csv": _REPAIRS,
    "register/work.toml": _WORK,
    "register/away.csv": _AWAY,
    "register/recorders/example.toml": _RECORDER,
}
