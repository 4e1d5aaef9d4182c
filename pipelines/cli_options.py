"""Options that commands share, and how they answer."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from data_contracts.errors import ProposalError

Home = Annotated[
    Path, typer.Option("--home", envvar="VANSNAP_HOME", help="The workspace.", metavar="DIR", show_default=True)
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on stdout and nothing else there.")]


def print_line(text: str = "") -> None:
    """A line on stdout."""
    from pipelines.storage.plain_text import printable

    print(printable(text))


@contextmanager
def proposal_printed(path: Path, as_json: bool) -> Iterator[None]:
    """A recorder profile that is proposed inside the block goes to stdout, and the error goes on."""
    try:
        yield
    except ProposalError as unfit:
        if as_json:
            print_json({"file": str(path), "proposal": unfit.proposal})
        else:
            print_line(unfit.proposal)
        raise


def print_json(document: object) -> None:
    """One JSON object on stdout; numbers that are not finite are null."""
    from pipelines.storage.plain_text import finite, in_json

    print(json.dumps(finite(document), ensure_ascii=False, allow_nan=False, default=in_json))
