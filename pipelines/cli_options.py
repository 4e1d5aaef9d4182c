"""Options that commands share."""

from pathlib import Path
from typing import Annotated

import typer

Home = Annotated[
    Path, typer.Option("--home", envvar="VANSNAP_HOME", help="The workspace.", metavar="DIR", show_default=True)
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on stdout and nothing else there.")]
