"""Hands messages to the process that sends them, and waits for it no longer than it may take."""

import base64
import json
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from email.utils import format_datetime
from typing import IO, Any

from data_contracts.errors import InputError
from pipelines.notify.letter import Letter
from pipelines.notify.recipients import Recipient
from pipelines.storage.plain_text import finite
from pipelines.workspace.notify_settings import NotifySettings, is_web_address, wrong_hook
from pipelines.workspace.secrets import secret_of
from pipelines.workspace.workspace import Workspace

_SHARE_OF_ONE = 0.4
"""Of the time there is, what one answer of a server may take, so that the reason can still be told."""


@dataclass(frozen=True)
class Outgoing:
    """A message and who gets it.

    Attributes
    ----------
    person : Recipient
    letter : Letter
    identity : str
        The same for the same content, so that a message sent twice can be known.
    attached : bytes
        A PDF; empty: none.
    file_name : str
        Its name.
    """

    person: Recipient
    letter: Letter
    identity: str
    attached: bytes = b""
    file_name: str = ""


def send(workspace: Workspace, settings: NotifySettings, messages: Sequence[Outgoing], now: datetime) -> dict[str, str]:
    """Send messages; never takes much longer than `wait_seconds`, and never raises for what a server does.

    Parameters
    ----------
    workspace : Workspace
    settings : NotifySettings
    messages : sequence of Outgoing
    now : datetime
        With offset.

    Returns
    -------
    dict of str to str
        Why each could not be sent, by key of the person; empty: it was.
    """
    outcome: dict[str, str] = {}
    packed = []
    password, refused = "", ""
    if any(one.person.told.mail for one in messages):
        try:
            password = secret_of(workspace.root, settings.mail_password, "[notify] mail_password")
        except InputError as error:
            refused = str(error)
    for one in messages:
        if one.person.told.mail and refused:
            outcome[one.person.key] = refused
            continue
        try:
            packed.append(_mail(settings, one, now) if one.person.told.mail else _hook(workspace, one))
        except InputError as error:
            outcome[one.person.key] = str(error)
    if not packed:
        return outcome
    server = {
        "host": settings.mail_server,
        "port": settings.mail_port,
        "security": settings.mail_security,
        "user": settings.mail_user,
        "password": password,
    }
    told = {"patience": settings.wait_seconds * _SHARE_OF_ONE, "server": server, "messages": packed}
    late = f"did not answer within {settings.wait_seconds} s"
    answers = _posted(json.dumps(told), settings.wait_seconds)
    for message in packed:
        where = f"{settings.mail_server}:{settings.mail_port}" if message["way"] == "mail" else "the webhook"
        outcome[message["key"]] = answers.get(message["key"], f"{where} {late}")
    return outcome


def _posted(told: str, longest: float) -> dict[str, str]:
    """What the sending process answered until its time was up."""
    answers: dict[str, str] = {}
    command = [sys.executable, "-m", "pipelines.notify.post"]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, encoding="utf-8"
    ) as sender:
        assert sender.stdin is not None
        assert sender.stdout is not None
        hearing = threading.Thread(target=_hear, args=(sender.stdout, answers), daemon=True)
        hearing.start()
        ended = threading.Timer(longest, sender.kill)
        ended.start()
        try:
            sender.stdin.write(told)
            sender.stdin.close()
            sender.wait()
        except OSError:
            sender.kill()
        finally:
            ended.cancel()
        hearing.join(1.0)
    return answers


def _hear(lines: IO[str], answers: dict[str, str]) -> None:
    for line in lines:
        told = json.loads(line)
        answers[str(told["key"])] = str(told["why"])


def _mail(settings: NotifySettings, one: Outgoing, now: datetime) -> dict[str, Any]:
    host = settings.mail_from.rpartition("@")[2]
    return {
        "key": one.person.key,
        "way": "mail",
        "from": settings.mail_from,
        "to": one.person.told.mail,
        "subject": one.letter.subject,
        "text": one.letter.text,
        "date": format_datetime(now),
        "id": f"<{one.identity}@{host}>",
        "file": base64.b64encode(one.attached).decode(),
        "file_name": one.file_name,
    }


def _hook(workspace: Workspace, one: Outgoing) -> dict[str, Any]:
    told = one.person.told
    url = told.hook
    if not is_web_address(url):
        url = secret_of(workspace.root, url, "[notify] told: hook")
        if why := wrong_hook(url):
            raise InputError(f"[notify] told: hook: {why}")
    token = secret_of(workspace.root, told.token, "[notify] told: token")
    document: Mapping[str, Any] = finite({**one.letter.document, "id": one.identity})
    body = json.dumps(document, ensure_ascii=False, allow_nan=False)
    return {"key": one.person.key, "way": "hook", "url": url, "token": token, "body": body}
