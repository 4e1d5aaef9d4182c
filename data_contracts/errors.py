"""Errors that Vansnap raises for faults a user can mend; each is also the built-in error it resembles.

A message says what was wrong, the value, and what to do, in one line.
"""


class VansnapError(Exception):
    """Root of every error a user can mend. The command line prints it and exits with 2."""

    def __init__(self, *args: object) -> None:
        super().__init__(*(one_line(each) if isinstance(each, str) else each for each in args))


class InputError(VansnapError, ValueError):
    """A file, option or value breaks its contract."""


class WaveformError(InputError):
    """A recording can't be decoded into canonical samples."""


class NoFitError(WaveformError):
    """A recorder profile names columns that a recording's file does not have."""


class ProposalError(InputError):
    """No recorder profile fits a file; `proposal` is one that may, as TOML."""

    def __init__(self, line: str, proposal: str) -> None:
        super().__init__(line)
        self.proposal = proposal


class EmptyFileError(WaveformError):
    """A recording's file holds nothing."""


class UnreadableFileError(WaveformError):
    """A recording's file is cut short, or not of the format its name says."""


class NotTextError(UnreadableFileError):
    """A recording's file is no text in the encoding of the recorder profile."""


class TimeBaseError(WaveformError):
    """The time of a recording does not rise, or is not a time."""


class TooLargeError(WaveformError):
    """A recording is larger or longer than the contract allows."""


class RegisterError(InputError):
    """An entry of the fleet register is missing, wrong or contradicts another."""


class ProfileError(RegisterError):
    """A recorder profile is missing, wrong or does not fit the file it was used on."""


class NotEnoughDataError(VansnapError, ValueError):
    """Too few values for a number; the caller reports a reason instead."""


class MissingFileError(VansnapError, FileNotFoundError):
    """A file or folder the user named is not there."""


class WorkspaceBusyError(VansnapError, RuntimeError):
    """Another run holds the workspace. The command line exits with 3."""


class WorkspaceError(VansnapError, RuntimeError):
    """The workspace is not one, is damaged, or is of another version."""


class NoRoomError(VansnapError, OSError):
    """The disk is full, or a quota used up."""


def first_line(error: BaseException) -> str:
    """What an error says in its first line, 160 characters at most; its kind where it says nothing.

    Parameters
    ----------
    error : BaseException
        Any error.
    """
    return next(iter(str(error).splitlines()), "")[:160] or type(error).__name__


def one_line(text: str) -> str:
    """A message on one line, whatever names from outside it quotes.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        Line ends and tabs are spaces, other control characters their escapes.
    """
    if text.isprintable():
        return text
    return "".join(one if one.isprintable() else " " if one.isspace() else ascii(one)[1:-1] for one in text)
