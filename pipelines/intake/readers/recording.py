"""One recording, whatever its format: formats are registered here and nowhere else."""

from collections.abc import Callable
from dataclasses import dataclass

from data_contracts.capture import Waveform
from data_contracts.errors import EmptyFileError, UnreadableFileError
from data_contracts.recorder import CANONICAL, RecorderProfile
from pipelines.intake.readers.apart import apart
from pipelines.intake.readers.csv import read_csv
from pipelines.intake.readers.csv_gz import read_csv_gz
from pipelines.intake.readers.mdf import read_mdf
from pipelines.intake.readers.parquet import read_parquet
from pipelines.intake.readers.sketch import Sketch, sketch_mdf, sketch_parquet, sketch_wav
from pipelines.intake.readers.sketch_csv import sketch_csv, sketch_csv_gz
from pipelines.intake.readers.wav import read_wav

_LARGE = 16 * 1024**2
"""From here on every file is decoded in a process apart: half a minute at 20 kHz in CSV. Of our choosing. [bytes]"""


@dataclass(frozen=True)
class Format:
    """A format of recordings.

    Attributes
    ----------
    endings : tuple of str
        What its file names end in, in lower case with the dot; the first is the one people are told.
    read : callable
        Decodes a whole file through a recorder profile, or raises a WaveformError of one line.
    sketch : callable or None
        Tells columns without a profile, for one to be proposed; None: none is.
    unpacks : bool
        A small file may hold much more than its size: it is decoded in a process apart, within bounds.
    apart : bool
        Its reader sees to that itself.
    """

    endings: tuple[str, ...]
    read: Callable[[bytes, RecorderProfile], Waveform]
    sketch: Callable[[bytes], Sketch] | None = None
    unpacks: bool = False
    apart: bool = False

    def beside(self, content: bytes) -> bool:
        """Whether a file is to be decoded in a process apart."""
        return not self.apart and (self.unpacks or len(content) > _LARGE)


FORMATS: tuple[Format, ...] = (
    Format((".csv.gz", ".txt.gz", ".tsv.gz"), read_csv_gz, sketch_csv_gz, unpacks=True),
    Format((".mf4", ".mdf"), read_mdf, sketch_mdf, apart=True),
    Format((".wav",), read_wav, sketch_wav),
    Format((".csv", ".txt", ".tsv"), read_csv, sketch_csv),
    Format((".parquet", ".pq"), read_parquet, sketch_parquet, unpacks=True),
)


def known_endings() -> tuple[str, ...]:
    """Every ending that a recording may have."""
    return tuple(ending for each in FORMATS for ending in each.endings)


def told_endings() -> str:
    """The usual ending of each format, for people."""
    return ", ".join(each.endings[0] for each in FORMATS)


def ending_of(name: str) -> str:
    """The ending by which a file is a recording; empty where it is none.

    Parameters
    ----------
    name : str
        File name.

    Returns
    -------
    str
        One of `known_endings`.
    """
    lower = name.lower()
    return max((ending for ending in known_endings() if lower.endswith(ending)), key=len, default="")


def sketch_recording(name: str, content: bytes) -> Sketch | None:
    """Columns of a file without a profile.

    Parameters
    ----------
    name : str
        File name; its ending tells the format.
    content : bytes
        The whole file.

    Returns
    -------
    Sketch or None
        None where the format is not known, or can't be sketched.

    Raises
    ------
    WaveformError
        If the file can't be decoded; the message is one line.
    """
    ending = ending_of(name)
    found = next((each for each in FORMATS if ending and ending in each.endings), None)
    if found is None or found.sketch is None:
        return None
    return apart(found.sketch, content) if found.beside(content) else found.sketch(content)


def read_recording(name: str, content: bytes, profile: RecorderProfile = CANONICAL) -> Waveform:
    """Decode one file into a canonical waveform.

    Parameters
    ----------
    name : str
        File name; its ending tells the format.
    content : bytes
        The whole file.
    profile : RecorderProfile
        How the recorder writes.

    Returns
    -------
    Waveform

    Raises
    ------
    WaveformError
        If it can't be decoded or breaks the contract; the message is one line.
    """
    if not content:
        raise EmptyFileError("the file is empty: record again")
    if ending := ending_of(name):
        found = next(each for each in FORMATS if ending in each.endings)
        return apart(found.read, content, profile) if found.beside(content) else found.read(content, profile)
    ending = name.rsplit(".", 1)[-1][:12] if "." in name else "no ending"
    raise UnreadableFileError(f"the file's ending ({ending}) is no known format: export it as one of {told_endings()}")
