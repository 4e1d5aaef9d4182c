"""`vansnap read`: one recording, or a folder of them, read at the van without a warehouse."""

import json
import resource
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from data_contracts.capture import Conditions, Waveform
from data_contracts.cautions import cautions_for_snap
from data_contracts.errors import (
    InputError,
    MissingFileError,
    ProposalError,
    VansnapError,
)
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render
from data_contracts.family import Family
from data_contracts.reasons import GRADE_REASONS
from data_contracts.recorder import RecorderProfile
from data_contracts.signals import QUANTITIES
from data_contracts.states import shown_grade
from pipelines.commands.at_the_van import Target, cautions_told, family_of, hold_against, report_lines
from pipelines.commands.decoded import decoded, display_of, of_family, recorded_with, shown_conditions
from pipelines.commands.drawn import check_plot, draw_read
from pipelines.commands.one_visit import of_other_visits
from pipelines.commands.read_lines import snap_told, snaps_table
from pipelines.commands.visit_words import cause_minded, fuel_may_escape, left_out_facts
from pipelines.intake.readers.recording import ending_of, told_endings
from pipelines.reports.paper import message, written_for
from pipelines.weekly.prepare import say_first_use
from pipelines.workspace.register import RegisterFault, load_families, load_recorders
from pipelines.workspace.settings import DisplaySettings

NOBODY = Target()
READING_MEMORY = 6 * 1024**3
"""Address space of a reading in a process of its own; libraries and compiled code take two thirds of it. Of our choosing. [bytes]"""


@dataclass(frozen=True)
class ReadResult:
    """What was read, for people and for programs."""

    text: str
    document: dict[str, Any]


def read_file(
    path: Path,
    *,
    family_name: str = "",
    register: Path,
    recorder: str,
    conditions: Conditions,
    plot: Path | None,
    target: Target = NOBODY,
) -> ReadResult:
    """Read one recording.

    Parameters
    ----------
    path : Path
        The recording.
    family_name : str
        Key of families.toml; may be empty for a van, whose family is known.
    register : Path
        Register folder.
    recorder : str
        Recorder profile.
    conditions : Conditions
        What was measured beside it.
    plot : Path or None
        Where to draw it: .svg, .png, or .json for the data of a small drawing.
    target : Target
        Whose it is, to hold it against the van's past.

    Returns
    -------
    ReadResult

    Raises
    ------
    VansnapError
        If file, family, profile or plot can't be used.
    """
    family, profile = _family(register, family_name, target), _profile(register, recorder)
    check_plot(plot)
    waveform = of_family(path, decoded(path, profile, register), family)

    from models.reading.read import read_one

    say_first_use()
    recorded, said = recorded_with(profile, conditions, waveform)
    readings, details = read_one(waveform, family, recorded)
    captures = captures_of(readings)
    display = display_of(register, target.home)
    against = hold_against(
        readings,
        [(path.name, int(snap)) for snap in readings.snap],
        family,
        target,
        conditions.fault_codes,
        [waveform.waveform_id],
    )
    _doubt(captures, against)
    document: dict[str, Any] = {"file": str(path), "family": family.name, "captures": captures, "against": against}
    document["conditions_of_file"] = said
    if plot is not None:
        snaps = [(readings, details, row) for row in range(len(captures))]
        draw_read(plot, path.name, family, snaps, (against, captures), display)
        document["plot"] = str(plot)
    with written_for(display):
        blocks = ["\n".join(snap_told(capture, path.name, against["repeats"], display)) for capture in captures]
        blocks += [message("read.of_file", said=shown_conditions(said))] if said else []
    return ReadResult(_whole(against, blocks, family, display), document)


def _whole(against: dict[str, Any], blocks: Sequence[str], family: Family, display: DisplaySettings) -> str:
    """All that is said on a terminal: where petrol may escape, that; what was found; where nothing counts, why; cautions."""
    found = "\n".join(report_lines(against, display)).rstrip()
    told_first = against["check_family"] or against["check_van"] or against["verdict"] not in (None, "unknown")
    head = [found] if told_first else []  # first what hurts
    tail = [] if head or not found else [found]
    cause = cause_minded(against["on_list"])
    cautions = ["\n".join(cautions_told(family, display, cause))] if against["asks_for_work"] else []
    danger = []
    if fuel_may_escape(against["on_list"]):  # its own caution is the first
        danger.append(cautions_for_snap(family, cause)[0].text.in_language(display.language))
    return "\n\n".join((*danger, *head, *blocks, *tail, *cautions))


def read_apart(
    path: Path,
    *,
    family_name: str,
    register: Path,
    recorder: str,
    conditions: Conditions,
    plot: Path,
    seconds: float,
    target: Target = NOBODY,
) -> dict[str, Any]:
    """Read one recording in a process of its own, for uploaded files: what takes too long is ended.

    Parameters and errors are those of `read_file`, and `seconds`: how long it may take. [s]

    Returns
    -------
    dict
        `ReadResult.document`.
    """
    command = [sys.executable, "-m", "pipelines.cli", "read", str(path), "--json"]
    command += ["--register", str(register), "--recorder", recorder, "--plot", str(plot)]
    told_apart = {"family": family_name, "van": target.van_id, "home": target.home, "repaired": target.repaired}
    for name, given in told_apart.items():
        command += [f"--{name}={given}"] if given else []
    usual = vars(Conditions())
    for name, value in vars(conditions).items():
        if value == usual[name]:
            continue  # not given; some, such as the recorder's offset, can't be given at the van
        if name == "closed_loop":
            command.append("--closed-loop" if value else "--open-loop")
        elif name == "fault_codes":
            command.append(f"--fault-codes={';'.join(value)}")
        elif isinstance(value, float) and not name.startswith("recorder_"):  # those are its profile's
            command += [f"--{name.replace('_', '-')}", str(value)]
    code, said, told = _run_bounded(command, seconds)
    if code != 0:
        if code != 2:  # any other is no answer of the reading itself
            raise InputError(
                f"it can't be read within {READING_MEMORY / 1e9:.0f} GB of memory, or is damaged: record less around the snap, "
                "or export it anew"
            )
        last = (told.strip().splitlines() or ["it can't be read: export it again"])[-1]
        line = last.removeprefix("vansnap: ").removesuffix(" (see `vansnap read --help`)")
        if said.startswith("{"):
            raise ProposalError(line, str(json.loads(said)["proposal"]))
        raise InputError(line)
    document: dict[str, Any] = json.loads(said)
    return document


def _run_bounded(command: Sequence[str], seconds: float) -> tuple[int, str, str]:
    """Exit code, stdout and stderr of a command that may take so long, and so much memory.

    Raises
    ------
    InputError
        If it takes too long; it is ended then.
    """
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        if hasattr(resource, "prlimit"):  # Linux; elsewhere time alone bounds it
            with suppress(OSError, ValueError):
                resource.prlimit(process.pid, resource.RLIMIT_AS, (READING_MEMORY, READING_MEMORY))
        try:
            said, told = process.communicate(timeout=seconds)
        except subprocess.TimeoutExpired as error:
            process.kill()
            raise InputError(
                f"it takes more than {seconds:g} s to read: record less around the snap, or export it anew"
            ) from error
    return process.returncode, said, told


def read_folder(
    path: Path,
    *,
    family_name: str = "",
    register: Path,
    recorder: str,
    conditions: Conditions,
    plot: Path | None,
    target: Target = NOBODY,
) -> ReadResult:
    """Read every recording of a folder into one table; a file that can't be read, or is of another visit, gets a line and the rest
    goes on.

    Parameters and errors are those of `read_file`; the recording is drawn whose snap stands for the visit.
    """
    check_plot(plot)
    family, profile = _family(register, family_name, target), _profile(register, recorder)
    files = sorted(file for file in path.iterdir() if ending_of(file.name) and file.name != "manifest.csv")
    if not files:
        raise InputError(f"{path} holds no recording ({told_endings()}): name a folder that does")
    waveforms: list[Waveform] = []
    names: list[str] = []
    refused: list[dict[str, str]] = []
    for file in files:
        try:
            waveforms.append(of_family(file, decoded(file, profile), family))
            names.append(file.name)
        except VansnapError as error:
            refused.append({"file": file.name, "reason": str(error)})
    if not waveforms:
        none = "none of these recordings can be read: " if len(files) > 1 else ""
        raise InputError(none + refused[0]["reason"])
    days = of_other_visits(target.home, target.van_id, [waveform.waveform_id for waveform in waveforms])
    known = [days.get(waveform.waveform_id) for waveform in waveforms]
    left_out = [{"file": name, "day": day} for name, day in zip(names, known, strict=True) if day]
    names = [name for name, day in zip(names, known, strict=True) if not day]
    waveforms = [waveform for waveform, day in zip(waveforms, known, strict=True) if not day]

    from models.reading.read import read_one, read_waveforms

    count = len(waveforms)
    recorded = [recorded_with(profile, conditions, waveform) for waveform in waveforms]
    readings = read_waveforms(waveforms, [family] * count, [each for each, _ in recorded])
    captures = [
        {"file": names[int(recording)]} | capture
        for recording, capture in zip(readings.recording, captures_of(readings), strict=True)
    ]
    display = display_of(register, target.home)
    snaps = [(str(capture["file"]), int(capture["snap"])) for capture in captures]
    identities = [waveform.waveform_id for waveform in waveforms]
    against = hold_against(readings, snaps, family, target, conditions.fault_codes, identities)
    _doubt(captures, against)
    document = {
        "family": family.name,
        "captures": captures,
        "refused": refused,
        "left_out": left_out,
        "against": against,
    }
    document["conditions_of_file"] = {name: said for name, (_, said) in zip(names, recorded, strict=True) if said}
    if plot is not None:
        chosen = (against["representative"] or {"file": names[0]})["file"]
        drawn = names if plot.suffix.lower() == ".json" else [chosen]  # a small drawing shows the other snaps too
        read = {
            name: read_one(waveform, family, of)
            for name, waveform, (of, _) in zip(names, waveforms, recorded, strict=True)
            if name in drawn
        }
        of_visit = [(*read[name], row) for name in drawn for row in range(len(read[name][0].snap))]
        shown = [capture for capture in captures if capture["file"] in drawn]
        draw_read(plot, chosen, family, of_visit, (against, shown), display)
        document["plot"] = str(plot)
    with written_for(display):
        table = snaps_table(captures, refused, against["representative"])
    told = [render(Fact.from_row(row), display.language) for row in left_out_facts(left_out)]
    return ReadResult(_whole(against, ["\n".join([table, *told])], family, display), document)


def captures_of(readings: Any) -> list[dict[str, Any]]:
    """One document per capture of `models.reading.read.Readings`.

    Parameters
    ----------
    readings : Readings

    Returns
    -------
    list of dict
        snap, verdict (accept or repeat; check where it can't be of the family named), grade, shown_grade (idle_only where no
        snap was tried), reasons, readings (value, uncertainty, unit, mark), unread.
    """
    documents = []
    for row, grade in enumerate(readings.grade):
        values = {}
        for name, quantity in QUANTITIES.items():
            value = float(readings.values[name][row])
            if value == value:
                values[name] = {"value": value, "u": float(readings.u[name][row]), "unit": quantity.unit}
                if name in readings.marked[row]:
                    values[name]["mark"] = readings.marked[row][name]
        reasons = [GRADE_REASONS[code] for code in readings.grade_reasons[row]]
        documents.append(
            {
                "snap": int(readings.snap[row]),
                "verdict": "repeat" if grade == "repeat" else "accept",
                "grade": grade,
                "shown_grade": shown_grade(grade, readings.grade_reasons[row]),
                "grade_reasons": [
                    {"code": reason.code, "sentence": reason.sentence, "remedy": reason.remedy} for reason in reasons
                ],
                "readings": values,
                "unread": dict(sorted(readings.unread[row].items())),
            }
        )
    return documents


def _doubt(captures: Sequence[dict[str, Any]], against: dict[str, Any]) -> None:
    """Nothing is accepted of a family that the snaps can't be of."""
    if against["check_family"]:
        for capture in captures:
            capture["verdict"] = "repeat" if capture["verdict"] == "repeat" else "check"


def _family(register: Path, name: str, target: Target) -> Family:
    """The family that was named, or the van's."""
    if not register.is_dir():
        raise MissingFileError(f"register {register} is not there: name a folder with families.toml")
    if not target.van_id:
        return _named_family(register, name)
    of_van, banks = family_of(target, register)
    if name and name != of_van:
        raise InputError(f"van {target.van_id} is of family {of_van}, not {name}: leave --family out, or mend it")
    family = _named_family(register, of_van)
    return family if banks is None else replace(family, lambda_banks=banks)


def _named_family(register: Path, name: str) -> Family:
    faults: list[RegisterFault] = []
    families, broken = load_families(register, faults)
    if name in families:
        return families[name]
    if name in broken:
        raise InputError(broken[name])
    if faults and not families:
        raise InputError(faults[0].reason)
    known = ", ".join(sorted(families)) or "none yet"
    raise InputError(f"family {name!r} is not in {register / 'families.toml'}: name one of {known}")


def _profile(register: Path, name: str) -> RecorderProfile:
    recorders, broken = load_recorders(register)
    if name in recorders:
        return recorders[name]
    if name in broken:
        raise InputError(broken[name])
    raise InputError(
        f"recorder {name!r} is not in {register / 'recorders'}: name one of {', '.join(sorted(recorders))}"
    )
