"""What the command line says when a command fails, and its exit code."""

import os
import re
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from data_contracts.errors import VansnapError, WorkspaceBusyError
from pipelines.storage.plain_text import printable
from pipelines.storage.room import is_full, no_room
from pipelines.workspace.failure_reports import failures_of, keep_report
from pipelines.workspace.workspace import DEFAULT_HOME, Workspace

STOPPED = 130
_HOME = re.compile(r"--home(=|$)")


def exit_code(error: BaseException, given: Sequence[str]) -> int:
    """Say in one line on stderr what failed and what to do.

    Parameters
    ----------
    error : BaseException
        What the command raised.
    given : sequence of str
        Arguments of the command line.

    Returns
    -------
    int
        2 wrong usage or input, 3 the workspace is held by another run, 4 internal failure, 130 stopped by the user;
        0 where only the reader of our output went away.
    """
    from typer.exceptions import Abort, TyperException

    if isinstance(error, TyperException):
        said = " ".join(str(error.format_message() if hasattr(error, "format_message") else error).split())
        said = said.rstrip(".")
        command = getattr(getattr(error, "ctx", None), "command_path", "vansnap")
        return fail(f"{said}{_value_given(error, given, said)} (see `{command} --help`)", 2)
    if isinstance(error, WorkspaceBusyError):
        return fail(str(error), 3)
    if isinstance(error, VansnapError):
        return fail(" ".join(str(error).split()), 2)
    if isinstance(error, Abort | KeyboardInterrupt):
        return stopped()
    if isinstance(error, BrokenPipeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    if is_full(error):
        named = getattr(error, "filename", None)
        return fail(
            str(no_room(Path(os.fsdecode(named)).absolute() if isinstance(named, str | bytes) else Path.cwd())), 2
        )
    if isinstance(error, PermissionError) and error.filename:
        return fail(
            f"this account may not use {error.filename}: use the one that runs Vansnap, or give yours the right", 2
        )
    if isinstance(error, OSError):
        where = f" {error.filename}" if error.filename else ""
        return fail(f"can't use{where}: {error.strerror or error}; check that it exists and that you may use it", 2)
    return fail(_internal(error, given), 4)


def fail(line: str, code: int) -> int:
    """Say a line on stderr; the exit code is handed back.

    Parameters
    ----------
    line : str
        What to say.
    code : int
        Exit code.
    """
    print(f"vansnap: {printable(line)}", file=sys.stderr)
    return code


def stopped() -> int:
    """Say that the user stopped the command."""
    return fail("stopped; nothing is lost, run again when ready", STOPPED)


def _value_given(error: Exception, given: Sequence[str], said: str) -> str:
    """The value an option was given, for the line that says what is wrong with it and does not name it yet."""
    names = getattr(getattr(error, "param", None), "opts", [])
    value = next((given[place + 1] for place, word in enumerate(given[:-1]) if word in names), None)
    return "" if value is None or value in said.split("'") else f", not {value!r}"


def _internal(error: BaseException, given: Sequence[str]) -> str:
    """One line; the traceback goes into a file, for whoever mends it: in the workspace, or where there is none, a temporary one."""
    what = f"{type(error).__name__}: {' '.join(str(error).split())[:200]}"
    report = keep_report(error, (_failures_of(given), Path(tempfile.gettempdir())))
    if report is None:
        return f"internal failure ({what}); no place could be found to write down where"
    return f"internal failure ({what}); please report it with {report}"


def _failures_of(given: Sequence[str]) -> Path | None:
    """Folder for reports of failures in the workspace that the command line named; None where it is none."""
    named = [
        one.partition("=")[2] or after for one, after in zip(given, [*given[1:], ""], strict=True) if _HOME.match(one)
    ]
    home = Path(named[-1] if named else os.environ.get("VANSNAP_HOME") or DEFAULT_HOME)
    return failures_of(Workspace(home.resolve())) if (home / "settings.toml").is_file() else None
