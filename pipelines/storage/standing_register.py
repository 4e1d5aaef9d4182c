"""What the register last said soundly, in place of what can't be used now.

A slip in an editor (a file saved in UTF-16, one wrong line in families.toml) must not empty the list: vans, families and
repairs of the last run stand until the entry is mended, and the week says so. What people take out of a sound file is gone.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

import polars as pl

from data_contracts.entries import toml_document
from data_contracts.errors import InputError, RegisterError
from data_contracts.facts.fact import Fact
from data_contracts.family import Family, parse_family
from data_contracts.tables import REGISTER_KEPT, polars_schema
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.register import Register, RegisterFault, Repair, Van, load_register
from pipelines.workspace.workspace import Workspace

VANS_FILE, FAMILIES_FILE, REPAIRS_FILE = "vans.csv", "families.toml", "repairs.csv"


@dataclass(frozen=True)
class StandingRegister:
    """The register a run works with, and how many entries of the last run stand in it, by file."""

    register: Register
    standing: Mapping[str, int]

    def facts(self) -> list[Fact]:
        """Notices of the week: which files are not used as they are."""
        return [Fact.of("register_stands", file=file, count=count) for file, count in sorted(self.standing.items())]


def standing_register(workspace: Workspace, warehouse: Warehouse) -> StandingRegister:
    """Load the register for a run.

    Parameters
    ----------
    workspace : Workspace
        Its register/.
    warehouse : Warehouse
        What the last run knew of it.

    Returns
    -------
    StandingRegister
    """
    register = load_register(workspace.register)
    families = _families_standing(warehouse, register)
    vans = _vans_standing(warehouse, register)
    repairs = _repairs_standing(warehouse, register)
    emptied = [
        RegisterFault(
            file,
            None,
            f"register/{file} names no {what} any more: put the entries back; a fleet without vans needs no run",
        )
        for file, what, now, stands in (
            (VANS_FILE, "van", register.vans, vans),
            (FAMILIES_FILE, "family", register.families, families),
        )
        if stands and not now and not any(fault.file == file for fault in register.faults)
    ]
    standing = {FAMILIES_FILE: len(families), VANS_FILE: len(vans), REPAIRS_FILE: len(repairs)}
    whole = replace(
        register,
        vans={**register.vans, **vans},
        families={**register.families, **families},
        broken_families={name: why for name, why in register.broken_families.items() if name not in families},
        repairs=(*register.repairs, *repairs),
        faults=(*register.faults, *emptied),
    )
    return StandingRegister(whole, {file: count for file, count in standing.items() if count})


def keep_families(workspace: Workspace, warehouse: Warehouse, register: Register) -> None:
    """Keep every sound family for a run that finds it broken.

    Parameters
    ----------
    workspace : Workspace
        Its register/.
    warehouse : Warehouse
        Open for writing, outside a transaction.
    register : Register
        As `standing_register` gives it: what stands is kept on.
    """
    try:
        entries = toml_document((workspace.register / FAMILIES_FILE).read_bytes())
    except (OSError, InputError):
        return  # nothing of it is sound
    kept = dict(_kept(warehouse).iter_rows())
    now = {name: json.dumps(entry, default=str) for name, entry in entries.items() if isinstance(entry, Mapping)}
    rows = {name: kept.get(name, "{}") if _broken(name, entry) else entry for name, entry in now.items()}
    rows = {name: entry for name, entry in rows.items() if name in register.families}
    if rows:
        with warehouse.transaction():
            warehouse.replace(
                "register_kept", pl.DataFrame(list(rows.items()), polars_schema(REGISTER_KEPT), orient="row")
            )


def _kept(warehouse: Warehouse) -> pl.DataFrame:
    return warehouse.query("SELECT family, entry FROM register_kept ORDER BY family")


def _broken(name: str, entry: str) -> bool:
    try:
        parse_family(name, json.loads(entry))
    except RegisterError:
        return True
    return False


def _families_standing(warehouse: Warehouse, register: Register) -> dict[str, Family]:
    """Kept families that are broken now, or all where the file can't be used."""
    return {
        name: parse_family(name, json.loads(entry))
        for name, entry in _kept(warehouse).iter_rows()
        if name not in register.families
        and (name in register.broken_families or not register.families)
        and not _broken(name, entry)
    }


def _vans_standing(warehouse: Warehouse, register: Register) -> dict[str, Van]:
    """Vans of the last run whose row is not sound now, or all where the file can't be used."""
    named = {fault.van_id for fault in register.faults if fault.file == VANS_FILE}
    kept = warehouse.query("SELECT * FROM vans ORDER BY van_id")
    columns = [field.name for field in fields(Van)]
    return {
        row["van_id"]: Van(**{name: row[name] for name in columns})
        for row in kept.iter_rows(named=True)
        if row["van_id"] not in register.vans and (row["van_id"] in named or not register.vans)
    }


def _repairs_standing(warehouse: Warehouse, register: Register) -> tuple[Repair, ...]:
    """The register's repairs of the last run: of vans one of whose rows is not sound now, or all where the file can't be used.

    Those recorded on orders come from the orders themselves.
    """
    faults = [fault for fault in register.faults if fault.file == REPAIRS_FILE]
    whole, named = any(fault.whole for fault in faults), {fault.van_id for fault in faults if fault.van_id}
    known = {repair.repair_id for repair in register.repairs}
    kept = warehouse.query(
        "SELECT * FROM repairs WHERE repair_id NOT IN (SELECT event_id FROM order_events) ORDER BY done_at, repair_id"
    )
    columns = [field.name for field in fields(Repair)]
    return tuple(
        Repair(**{name: row[name] for name in columns})
        for row in kept.iter_rows(named=True)
        if row["repair_id"] not in known and (whole or row["van_id"] in named)
    )
