"""A recorder profile proposed from one file: every guess with its reason, and a commented line for what can't be guessed."""

import json
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from data_contracts.entries import shown
from data_contracts.errors import ProposalError, VansnapError, WaveformError
from data_contracts.recorder import CANONICAL, RecorderProfile, parse_profile
from data_contracts.signals import AIRFLOW_SIGNALS
from pipelines.commands.header_guess import Guess, guesses
from pipelines.commands.time_guess import TimeGuess, guess_time
from pipelines.intake.readers.recording import read_recording, sketch_recording
from pipelines.intake.readers.sketch import Sketch, SketchColumn
from pipelines.reports.paper import message

_IN_TURN = 0.05
"""Share of empty cells from which channels count as written in turn."""


def unfit(path: Path, content: bytes, why: WaveformError, recorders: Mapping[str, RecorderProfile]) -> VansnapError:
    """What to tell where the canonical form does not fit a file: a profile of the register that does, or a proposal.

    Parameters
    ----------
    path : Path
        The file.
    content : bytes
        All of it.
    why : WaveformError
        Why it is not canonical.
    recorders : mapping of str to RecorderProfile
        Of the register.

    Returns
    -------
    VansnapError
        A `ProposalError` with the TOML; or what was told before, where nothing can be proposed.
    """
    fitting = [
        name for name, profile in sorted(recorders.items()) if name != CANONICAL.name and _reads(path, content, profile)
    ]
    if fitting:
        return WaveformError(
            f"{why}; recorder profile {' or '.join(fitting)} fits: read again with --recorder {fitting[0]}"
        )
    try:
        sketch = sketch_recording(path.name, content)
    except WaveformError as error:
        return WaveformError(f"{why}; none can be proposed: {error}")
    if sketch is None or not sketch.columns:
        return why
    line = (
        f"no recorder profile fits ({why}): one is proposed; check it, save it as register/recorders/NAME.toml, "
        "and read again with --recorder NAME"
    )
    return ProposalError(line, proposal(path.name, content, sketch))


def proposal(name: str, content: bytes, sketch: Sketch) -> str:
    """A recorder profile for files like this one, in the language set.

    Parameters
    ----------
    name : str
        File name.
    content : bytes
        The whole file.
    sketch : Sketch
        Its columns.

    Returns
    -------
    str
        TOML.
    """
    time = None if sketch.timed else guess_time(sketch.columns)
    columns = [c for c in sketch.columns if time is None or c is not time.column]
    found = guesses(columns) if sketch.named else []
    body = [
        *_profile_lines(sketch, [guess.column for guess in found]),
        "",
        *_time_lines(sketch, time, [guess.column for guess in found]),
    ]
    body += _named_lines(found, columns) if sketch.named else _numbered_lines(sketch.columns)
    used = {id(guess.column) for guess in found}
    unused = [column.header for column in columns if id(column) not in used]
    if unused and sketch.named:
        body += ["", f"# {message('propose.unused', columns=_listed(unused))}"]
    text = "\n".join(body) + "\n"
    return f"# {message('propose.head', file=shown(name))}\n# {_outcome(name, content, text)}\n\n{text}"


def _reads(path: Path, content: bytes, profile: RecorderProfile) -> bool:
    try:
        read_recording(path.name, content, profile)
    except WaveformError:
        return False
    return True


def _outcome(name: str, content: bytes, text: str) -> str:
    """What reading the file with the proposal gives."""
    tables = tomllib.loads(text)
    if not tables["time"] or not tables.get("channels"):
        return message("propose.unfilled")
    try:
        waveform = read_recording(name, content, parse_profile("proposed", tables))
    except VansnapError as error:
        return message("propose.stuck", error=shown(error, longest=None))
    length = float(waveform.time_s[-1])
    return message(
        "propose.reads",
        samples=waveform.time_s.size,
        rate=f"{(waveform.time_s.size - 1) / length:.4g}",
        length=f"{length:.3g}",
        channels=", ".join([*waveform.channels, *waveform.conditions]),
    )


def _profile_lines(sketch: Sketch, used: Sequence[SketchColumn]) -> list[str]:
    lines = ["[profile]"]
    for key, value in sketch.written.items():
        lines += [f"# {message(f'propose.{key}')}", f"{key} = {_toml(value)}"]
    if not sketch.timed and _in_turn(used):
        lines += [f"# {message('propose.unchanged')}", 'empty_cell = "unchanged"']
    return [*lines, f"# {message('propose.accuracy')}", "# bits = 12", "# range_v = 5.0"]


def _in_turn(used: Sequence[SketchColumn]) -> bool:
    """Some column is empty in many rows in which another is not."""
    if len(used) < 2:
        return False
    missing = np.stack([np.isnan(column.numbers) for column in used])
    some = missing & ~missing.all(axis=0)
    return bool((some.mean(axis=1) > _IN_TURN).any())


def _time_lines(sketch: Sketch, time: TimeGuess | None, used: Sequence[SketchColumn]) -> list[str]:
    if sketch.timed:
        return ["[time]", f"# {message('propose.of_file')}", "of_file = true"]
    if time is None:
        return ["[time]", f"# {message('propose.no_time')}", "# interval_s = 0.001"]
    lines = ["[time]", f"# {message(time.reason)}", f"column = {_toml(time.column.header)}"]
    if time.clock:
        lines += [f"# {message('propose.clock')}", f"clock = {_toml(time.clock)}"]
    elif time.named:
        lines += [f"# {message('propose.time_unit_named')}", f"unit = {_toml(time.unit)}"]
    else:
        told = message(
            "propose.time_unit_guess", unit=time.unit, length=f"{time.length_s:.3g}", rate=f"{time.rate_hz:.4g}"
        )
        lines += [f"# {told}", f"unit = {_toml(time.unit)}"]
    if time.repeats:
        merged = _merges(time.seconds, used)
        lines += [
            f"# {message('propose.merged' if merged else 'propose.spread')}",
            f'repeated = "{"merged" if merged else "spread"}"',
        ]
    return lines


def _merges(seconds: NDArray[np.float64], used: Sequence[SketchColumn]) -> bool:
    """Rows of one stamp never say two different things of a channel, and not only because it seldom changes."""
    again = np.diff(seconds) == 0
    both, changes = np.zeros_like(again), np.zeros_like(again)
    for column in used:
        before, after = column.numbers[:-1], column.numbers[1:]
        pair = np.isfinite(before) & np.isfinite(after)
        both |= pair
        changes |= pair & (before != after)
    if not used or changes[again].any():
        return False
    return not both[again].any() or bool(changes[~again].mean() > 0.5)


def _named_lines(found: Sequence[Guess], columns: Sequence[SketchColumn]) -> list[str]:
    """Tables of the guessed columns; what is not sure is commented."""
    lines: list[str] = []
    if not any(guess.name in AIRFLOW_SIGNALS for guess in found):
        lines += ["", f"# {message('propose.no_airflow')}"]
        if columns:
            lines.append(f"# {message('propose.columns', columns=_listed([column.header for column in columns]))}")
        lines += ["# [channels.airflow_v]", '# column = ""']
    for guess in found:
        table = "channels" if _is_channel(guess.name) else "conditions"
        mark = "" if guess.sure else "# "
        lines += ["", f"# {message(guess.reason, word=shown(guess.word), values=_values(guess.column))}"]
        if guess.also:
            lines.append(f"# {message('propose.also', columns=_listed(guess.also))}")
        lines += [f"{mark}[{table}.{guess.name}]", f"{mark}column = {_toml(guess.column.header)}"]
        lines += [f"{mark}unit = {_toml(guess.unit)}"]
        if guess.unit == "AFR":
            lines.append("# stoichiometric =")
    return lines


def _values(column: SketchColumn) -> str:
    """From where to where its values lie, in words; of a column that never changes the one value."""
    values = column.numbers[np.isfinite(column.numbers)]
    low, high = f"{values.min():.4g}", f"{values.max():.4g}"
    return message("propose.values" if low != high else "propose.same_value", low=low, high=high)


def _numbered_lines(columns: Sequence[SketchColumn]) -> list[str]:
    """Tables of channels that have numbers only: the first is taken, one more is offered."""
    lines = [
        "",
        f"# {message('propose.by_number')}",
        "[channels.airflow_v]",
        f"column = {_toml(columns[0].header)}",
        "scale = 1.0",
    ]
    if len(columns) > 1:
        lines += ["", f"# {message('propose.other_channel')}", "# [channels.lambda_v]"]
        lines += [f"# column = {_toml(columns[1].header)}", "# scale = 1.0"]
    return lines


def _is_channel(name: str) -> bool:
    return name in CANONICAL.channels


def _listed(headers: Sequence[str]) -> str:
    return ", ".join(shown(header, longest=40) for header in headers[:20])


def _toml(value: object) -> str:
    """A value as TOML writes it."""
    if isinstance(value, list):
        return "[" + ", ".join(_toml(each) for each in value) + "]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
