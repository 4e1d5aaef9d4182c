"""What `vansnap read` says on a terminal: one snap in full, or a line for each."""

from collections.abc import Mapping, Sequence
from typing import Any

from data_contracts.reasons import UNREAD_REASONS
from data_contracts.signals import shown_at
from data_contracts.states import IDLE_ONLY
from pipelines.commands.at_the_van import repeat_told, said_of_visit
from pipelines.reports.numbers import with_uncertainty
from pipelines.reports.paper import contract, message
from pipelines.workspace.settings import DisplaySettings

_TABLE_COLUMNS = shown_at("console")


def snap_told(capture: Mapping[str, Any], name: str, repeats: Mapping[str, Any], display: DisplaySettings) -> list[str]:
    """One snap in full, in the language set.

    Parameters
    ----------
    capture : mapping
        As `pipelines.commands.read.captures_of` gives it.
    name : str
        Of its file.
    repeats : mapping
        Of its visit, from repeat to repeat, as `pipelines.commands.at_the_van.hold_against` gives them.
    display : DisplaySettings
        Language.

    Returns
    -------
    list of str
        Lines for a terminal.
    """
    if capture["shown_grade"] == IDLE_ONLY:
        lines = [f"{message('verdict.idle_only')}  {name}"]
    else:
        head = message("read.snap", number=capture["snap"], grade=message(f"grade.{capture['grade']}"))
        lines = [f"{message('verdict.' + capture['verdict'])}  {name}, {head}"]
    for reason in capture["grade_reasons"]:
        remedy = f"; {contract(reason['remedy'])}" if reason["remedy"] else ""
        lines.append(f"  - {contract(reason['sentence'])}{remedy}")
    width = max((len(quantity) for quantity in capture["readings"]), default=0)
    lines.append("")
    if capture["readings"]:
        lines.append(f"  {said_of_visit('two_uncertainties' if repeats else 'one_uncertainty', display)}")
    for quantity, entry in capture["readings"].items():
        unit = "" if entry["unit"] == "1" else f" {entry['unit']}"
        mark = f"  ({entry['mark'].replace('_', ' ')})" if "mark" in entry else ""
        read = f"  {quantity:<{width}}  {with_uncertainty(entry['value'], entry['u'])}{unit}{mark}"
        if quantity in repeats:
            read += f"; {said_of_visit('repeat_to_repeat', display)} {repeat_told(repeats[quantity], display)}"
        lines.append(read)
    unread: dict[str, list[str]] = {}
    for quantity, code in capture["unread"].items():
        if code not in ("not_for_this_family", "no_channel"):
            unread.setdefault(code, []).append(quantity)
    if unread:
        lines.append("")
        lines.append(f"  {message('read.not_read')}")
        lines.extend(
            f"    {contract(UNREAD_REASONS[code].sentence)}: {', '.join(names)}"
            for code, names in sorted(unread.items())
        )
    return lines


def snaps_table(
    captures: Sequence[Mapping[str, Any]], refused: Sequence[Mapping[str, str]], chosen: Mapping[str, Any] | None
) -> str:
    """One line per snap; the one that stands for the visit is marked.

    Parameters
    ----------
    captures : sequence of mapping
        As `pipelines.commands.read.captures_of` gives them, each with its file.
    refused : sequence of mapping
        Files that can't be read, each with its reason.
    chosen : mapping or None
        File and snap that stand for the visit.

    Returns
    -------
    str
    """
    rows = [["file", "snap", "verdict", *_TABLE_COLUMNS, "why"]]
    for capture in captures:
        entries = capture["readings"]
        cells = [_cell(entries[name]) if name in entries else "-" for name in _TABLE_COLUMNS]
        why = ", ".join(reason["code"] for reason in capture["grade_reasons"]) or "-"
        stands = chosen == {"file": capture["file"], "snap": capture["snap"]}
        snap = f"{capture['snap']}{' *' if stands and len(captures) > 1 else ''}"
        word = IDLE_ONLY if capture["shown_grade"] == IDLE_ONLY else capture["verdict"]
        rows.append([capture["file"], snap, word, *cells, why])
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    accepted = sum(capture["verdict"] == "accept" for capture in captures)
    idle = sum(capture["shown_grade"] == IDLE_ONLY for capture in captures)
    lines.append(f"{accepted} of {len(captures) - idle} accepted" + (f", {idle} of idle only" if idle else ""))
    lines.extend(f"can't read {entry['reason']}" for entry in refused)
    return "\n".join(lines)


def _cell(entry: Mapping[str, Any]) -> str:
    """A value of the table; one that was cut off says so, as it does where a snap is read alone."""
    read = with_uncertainty(entry["value"], entry["u"])
    return f"at least {read}" if entry.get("mark") == "lower_bound" else read
