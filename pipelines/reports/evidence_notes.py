"""Notes and photos at a van's orders in its warranty file: there only where they were asked for."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from data_contracts.causes import OTHER
from data_contracts.states import NOTED
from pipelines.decisions.photos import PHOTOS, SUFFIX, read_photo
from pipelines.decisions.proofs import PERSON
from pipelines.reports.bag import grouped
from pipelines.reports.paper import message, moment
from pipelines.workspace.workspace import Workspace

Tables = Mapping[str, pl.DataFrame]
Section = dict[str, Any]

_NOTED = pl.col("state") == NOTED
_COUNTS = pl.col("refused").is_null()
# a note that is the finding itself, or that a proof is told in, is no remark
_IS_REMARK = (pl.col("found").fill_null("") != OTHER) & (pl.col("person") != PERSON)
_REMARKED = _IS_REMARK & (pl.col("note").fill_null("") != "")
_PHOTOS = pl.col("photos").list.len().fill_null(0)


def as_asked(tables: Tables, *, asked: bool) -> dict[str, pl.DataFrame]:
    """A van's tables with its notes and photos, or without; what was taken back is out of them either way.

    Parameters
    ----------
    tables : mapping of str to polars.DataFrame
        order_events, repairs and others by name.
    asked : bool
        Notes and photos go in.

    Returns
    -------
    dict of str to polars.DataFrame
    """
    events = tables["order_events"]
    if "photos" not in events.columns:  # published by an older version
        events = events.with_columns(photos=pl.lit(None, pl.List(pl.String)))
    noted = events.filter(_NOTED)["event_id"].to_list()
    shown = pl.when(_COUNTS if asked else pl.lit(False))
    kept = events.filter(_COUNTS | ~_NOTED if asked else ~_NOTED)
    kept = kept.filter(~pl.col("undoes").is_in(noted).fill_null(False))
    kept = kept.with_columns(
        note=pl.when(_IS_REMARK).then(shown.then("note")).otherwise("note"), photos=shown.then("photos")
    )
    repairs = tables["repairs"]
    if not asked:
        remarked = events.filter(_IS_REMARK)["event_id"].to_list()
        repairs = repairs.with_columns(note=pl.when(~pl.col("repair_id").is_in(remarked)).then("note"))
    return {**tables, "order_events": kept, "repairs": repairs}


def photo_payload(workspace: Workspace, events: pl.DataFrame) -> dict[str, tuple[bytes, str]]:
    """The photos of a file: path within it to bytes, and one line that says who took it in, when and for which order.

    Parameters
    ----------
    workspace : Workspace
    events : polars.DataFrame
        order_events as they go into the file.

    Raises
    ------
    WorkspaceError
        If a photo is missing or damaged.
    """
    payload = {}
    for row in events.iter_rows(named=True):
        for photo in row["photos"] or ():
            told = message("evidence.photo", order=row["order_id"], person=row["person"], when=moment(row["at"]))
            payload[f"{PHOTOS}/{photo}{SUFFIX}"] = (read_photo(workspace, photo), told)
    return payload


def notes_section(events: pl.DataFrame) -> Section:
    """What was noted at the orders: when, by whom, in which words, and the hash of every photo.

    Parameters
    ----------
    events : polars.DataFrame
        order_events as they go into the file.
    """
    rows = [
        [
            moment(row["at"]),
            row["person"],
            row["order_id"],
            row["note"] or "",
            "\n".join(grouped(photo) for photo in row["photos"] or ()),
        ]
        for row in events.filter(_REMARKED | (_PHOTOS > 0)).iter_rows(named=True)
    ]
    heads = ("when", "person", "order", "note", "photos")
    table = {
        "heads": [message(f"evidence.{head}") for head in heads],
        "rows": rows,
        "empty": message("evidence.no_notes"),
    }
    return {"title": message("evidence.notes"), "text": [], "tables": [table], "drawings": []}


def left_out(every: Tables) -> list[str]:
    """That notes and photos are not in the file, where there are any; one sentence or none.

    Parameters
    ----------
    every : mapping of str to polars.DataFrame
        The van's tables with them.
    """
    events = as_asked(every, asked=True)["order_events"]
    notes, photos = events.filter(_REMARKED).height, int(events.select(_PHOTOS.sum()).item())
    return [message("evidence.notes_left", notes=notes, photos=photos)] if notes or photos else []
