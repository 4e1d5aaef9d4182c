"""Options that commands share, and how they answer."""

import json
from pathlib import Path
from typing import Annotated

import typer

Home = Annotated[
    Path, typer.Option("--home", envvar="VANSNAP_HOME", help="The workspace.", metavar="DIR", show_default=True)
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on stdout and nothing else there.")]


def print_line(text: str = "") -> None:
    """A line on stdout."""
    from pipelines.storage.plain_text import printable

    print(printable(text))


def print_json(document: object) -> None:
    """One JSON object on stdout; numbers that are not finite are null."""
    from pipelines.storage.plain_text import finite

    print(json.dumps(finite(document), ensure_ascii=False, allow_nan=False, default=str))
