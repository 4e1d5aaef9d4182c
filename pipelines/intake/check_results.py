"""What the contract suites found in each delivery: kept as a file, and shown as a page.

Deliveries are checked many at a time, which takes as long as checking one. A delivery's result is the part
of it for its own rows, in the form of a complete result of Great Expectations, so that its renderer makes the page.
"""

import hashlib
import html
import json
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any

import polars as pl

from data_contracts.errors import MissingFileError
from pipelines.contract_suites import ROW, load_suite
from pipelines.intake.manifest import ManifestRow, TextRow, suite_tables
from pipelines.storage.atomic_files import write_all_atomically, write_atomically
from pipelines.storage.plain_text import finite

MOST_ROWS = 1000
"""Failing rows of one expectation that are listed; all are counted, and the quarantine lists each."""
_MOST_VALUES = 20
_AT_ONCE = 200  # deliveries whose results are held before they are written
_LONGEST_NAME_BYTES = 200
_PAGES = Path(__file__).parents[1] / "reports"


def of_deliveries(
    found: Mapping[str, tuple[Sequence[TextRow], Sequence[ManifestRow]]],
) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """Results of the contract suites for the rows of each delivery.

    Parameters
    ----------
    found : mapping of str to (sequence of TextRow, sequence of ManifestRow)
        Rows as written, and the same after the check, by delivery.

    Yields
    ------
    tuple of (str, list of dict)
        The delivery and one result per suite, JSON-able; none of a delivery of which no row could be checked.
    """
    tables = suite_tables([row for rows, _ in found.values() for row in rows])
    start = 0
    for delivery, (rows, checked) in found.items():
        if rows:
            yield (
                delivery,
                [_result(suite, table[start : start + len(rows)], checked) for suite, table in tables.items()],
            )
        start += len(rows)


def _result(suite: str, table: pl.DataFrame, checked: Sequence[ManifestRow]) -> dict[str, Any]:
    found: dict[int, list[int]] = {}
    for index, row in enumerate(checked):
        for name, number in row.broken:
            if name == suite:
                found.setdefault(number, []).append(index)
    numbers = [row.number for row in checked]
    results = [
        _expectation(entry, table[entry["kwargs"]["column"]], found.get(number, []), numbers)
        for number, entry in enumerate(load_suite(suite)["expectations"])
    ]
    passed = sum(result["success"] for result in results)
    return {
        "success": passed == len(results),
        "results": results,
        "suite_name": suite,
        "statistics": {
            "evaluated_expectations": len(results),
            "successful_expectations": passed,
            "unsuccessful_expectations": len(results) - passed,
            "success_percent": passed / len(results) * 100,
        },
    }


def _expectation(
    entry: Mapping[str, Any], column: pl.Series, failing: Sequence[int], numbers: Sequence[int]
) -> dict[str, Any]:
    """One expectation over one column: counts of all rows, and the failing ones by the number of their manifest row."""
    if column.dtype.is_float():
        column = column.fill_nan(None)  # missing, as Great Expectations expects it
    values = [column[index] for index in failing]
    total, count = len(column), len(failing)
    counted = sorted(Counter(values).most_common(_MOST_VALUES), key=lambda pair: (-pair[1], pair[0]))
    listed = [
        {column.name: value, ROW: numbers[index]}
        for value, index in zip(values[:MOST_ROWS], failing[:MOST_ROWS], strict=True)
    ]
    told: dict[str, Any] = {"element_count": total, "unexpected_count": count}
    if entry["type"] == "expect_column_values_to_not_be_null":
        told["unexpected_percent"] = count / total * 100
    else:
        present = total - column.null_count()
        share = count / present * 100 if present else None
        told |= {"unexpected_percent": share, "unexpected_percent_nonmissing": share}
        told |= {"missing_count": total - present, "missing_percent": (total - present) / total * 100}
        told["unexpected_percent_total"] = count / total * 100
    told |= {
        "partial_unexpected_list": values[:_MOST_VALUES],
        "partial_unexpected_counts": [{"value": value, "count": times} for value, times in counted],
        "partial_unexpected_index_list": listed[:_MOST_VALUES],
        "unexpected_list": values[:MOST_ROWS],
        "unexpected_index_list": listed,
        "unexpected_index_column_names": [ROW],
    }
    return {
        "success": not failing,
        "expectation_config": {"type": entry["type"], "kwargs": entry["kwargs"], "meta": entry["meta"]},
        "result": finite(told) if failing else told,
        "meta": {},
        "exception_info": {"raised_exception": False, "exception_message": None, "exception_traceback": None},
    }


def keep(folder: Path, found: Iterable[tuple[str, Sequence[Mapping[str, Any]]]], *, now: datetime) -> None:
    """Add a check to those kept for each delivery, unless it found the same as the one before.

    A delivery is checked again, with the rows that wait, by every run until nothing of it waits.

    Parameters
    ----------
    folder : Path
        reports/checks of the workspace.
    found : iterable of (str, sequence of mapping)
        Deliveries and their results, from `of_deliveries`; nothing is kept of none.
    now : datetime
        Time of the run.
    """
    at = now.astimezone(UTC).isoformat(timespec="seconds")
    rest = iter(found)
    while some := list(islice(rest, _AT_ONCE)):
        files = {}
        for delivery, results in some:
            before = kept(folder, delivery)
            if results and not (before and before[-1]["results"] == results):
                checks = [*before, {"at": at, "results": results}]
                content = json.dumps({"delivery": delivery, "checks": checks}, allow_nan=False)
                files[_file(folder, delivery)] = content.encode()
        if files:
            folder.mkdir(parents=True, exist_ok=True)
            write_all_atomically(files)


def kept(folder: Path, delivery: str) -> list[dict[str, Any]]:
    """Checks kept for a delivery, oldest first; none where its file is missing or can't be read.

    Parameters
    ----------
    folder : Path
        reports/checks of the workspace.
    delivery : str
        Name of the delivery.
    """
    try:
        told = json.loads(_file(folder, delivery).read_text(encoding="utf-8"))
        return list(told["checks"])
    except (OSError, ValueError, KeyError, TypeError):
        return []


def page(folder: Path, delivery: str) -> str:
    """Data Docs of a delivery's checks, newest first, as one page that loads nothing from elsewhere and runs no script.

    Made when it is first asked for, and kept beside the results until they change.

    Parameters
    ----------
    folder : Path
        reports/checks of the workspace.
    delivery : str
        Its name.

    Returns
    -------
    str
        HTML.

    Raises
    ------
    MissingFileError
        If nothing is kept of it.
    """
    checks = kept(folder, delivery)
    results, made = _file(folder, delivery), _file(folder, delivery, "html")
    if not checks:
        raise MissingFileError(
            f"no check of delivery {delivery} is kept: its manifest could not be read, or it came before checks were kept"
        )
    with suppress(OSError):
        if made.stat().st_mtime_ns >= results.stat().st_mtime_ns:
            return made.read_text(encoding="utf-8")
    text = _render(delivery, checks)
    with suppress(OSError):  # a folder the board may only read: the page is shown all the same
        write_atomically(made, text.encode())
    return text


def _render(delivery: str, checks: Sequence[Mapping[str, Any]]) -> str:
    os.environ.setdefault("GX_ANALYTICS_ENABLED", "false")
    from great_expectations.core.expectation_validation_result import expectationSuiteValidationResultSchema
    from great_expectations.render.renderer.page_renderer import ValidationResultsPageRenderer
    from great_expectations.render.view.view import DefaultJinjaPageView

    view = DefaultJinjaPageView(custom_views_directory=str(_PAGES))
    shown = []
    for check in reversed(checks):
        for result in check["results"]:
            meta = {"run_id": {"run_name": delivery, "run_time": check["at"]}}
            outcome = expectationSuiteValidationResultSchema.load(_inert(result) | {"meta": meta})
            document = ValidationResultsPageRenderer().render(outcome).to_json_dict()
            document["sections"][0]["content_blocks"] = [
                block for block in document["sections"][0]["content_blocks"] if block["content_block_type"] == "table"
            ]
            about = load_suite(result["suite_name"])["about"]
            shown.append({"at": check["at"], "suite": result["suite_name"], "about": about, **document})
    text = str(view.env.get_template("check.html.j2").render(delivery=html.escape(delivery), checks=shown))
    text = re.sub(r"</?a\b[^>]*>", "", text)  # links to other pages of a site, of which there are none
    return text.encode(errors="replace").decode()  # a delivery's name may not be UTF-8


def _inert(value: Any) -> Any:
    """The same result with every text escaped: the renderer would put delivered text into the page unescaped."""
    if isinstance(value, str):
        return html.escape(value)
    if isinstance(value, dict):
        return {_inert(key): _inert(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_inert(item) for item in value]
    return value


def _file(folder: Path, delivery: str, ending: str = "json") -> Path:
    """Named after the delivery, or by a hash where that name is too long for a file."""
    name = os.fsencode(delivery)
    return folder / f"{delivery if len(name) <= _LONGEST_NAME_BYTES else hashlib.sha256(name).hexdigest()}.{ending}"
