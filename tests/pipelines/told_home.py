"""A workspace whose settings name people, its published file changed as runs would, and a post that keeps what is sent."""

import re
import shutil
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb

from pipelines.notify.sending import Outgoing
from pipelines.workspace.last_runs import note_success
from pipelines.workspace.workspace import Workspace
from tests.published_sample import make_workspace

AT = datetime(2026, 11, 30, 5, 1, tzinfo=UTC)  # a Monday, 2026-W49
DAY = timedelta(days=1)
MAIL = '[notify]\nmail_server = "127.0.0.1"\nmail_port = %s\nmail_security = "none"\nmail_from = "v@example.org"\n'
ANN = '{ mail = "ann@example.org", digest = false }'
NILS = '{ mail = "nils@example.org", depots = ["north"], language = "de" }'


class Post:
    """In place of the wire: keeps what is sent, and fails with `why`."""

    def __init__(self) -> None:
        self.why = ""
        self.sent: list[Outgoing] = []

    def __call__(
        self, _workspace: Workspace, _settings: Any, messages: Sequence[Outgoing], _now: datetime
    ) -> dict[str, str]:
        self.sent += [] if self.why else messages
        return {one.person.key: self.why for one in messages}

    def texts(self) -> list[str]:
        told, self.sent = [one.letter.text for one in self.sent], []
        return told


def made(root: Path) -> Path:
    """A published file of two depots with three vans each, three of all on the list as now."""
    make_workspace(root, finished_at=AT - timedelta(minutes=1), vans_per_depot=3)
    (root / "reports").mkdir()
    with duckdb.connect(str(root / "published.duckdb")) as connection:
        connection.execute(f"UPDATE deliveries SET taken_in_at = '{AT.isoformat()}'")
    return root


def copied(sample: Path, root: Path) -> Workspace:
    """A copy whose run has just succeeded."""
    shutil.copytree(sample, root)
    note_success(Workspace(root), "2026-W49", now=AT)
    return Workspace(root)


def name(workspace: Workspace, *people: str, more: str = "", head: str = "", port: int = 1) -> None:
    told = "told = [" + ", ".join(people) + "]\n"
    workspace.settings_path.write_text(head + MAIL % port + more + told, encoding="utf-8")


def change(workspace: Workspace, *statements: str) -> None:
    """Another published file, as a run replaces it."""
    fresh = workspace.root / ".fresh"
    shutil.copy(workspace.published_path, fresh)
    with duckdb.connect(str(fresh)) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        for statement in statements:
            connection.execute(statement)
    fresh.replace(workspace.published_path)


def vans_in(text: str) -> list[str]:
    return re.findall(r"^\d+\. (?:Van|Fahrzeug) (\S+)", text, re.MULTILINE)


def sql(text: str) -> str:
    return " || ".join(f"chr({ord(one)})" for one in text)
