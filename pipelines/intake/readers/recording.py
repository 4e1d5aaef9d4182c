"""One recording, whatever its format: the registered pairs of `is_x` and `read_x`."""

from collections.abc import Callable

from data_contracts.capture import Waveform
from data_contracts.errors import EmptyFileError, UnreadableFileError
from data_contracts.recorder import CANONICAL, RecorderProfile
from pipelines.intake.readers.csv import is_csv, read_csv
from pipelines.intake.readers.parquet import is_parquet, read_parquet

_READERS: tuple[tuple[Callable[[str], bool], Callable[[bytes, RecorderProfile], Waveform]], ...] = (
    (is_parquet, read_parquet),
    (is_csv, read_csv),
)


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
    for is_format, read in _READERS:
        if is_format(name):
            return read(content, profile)
    ending = name.rsplit(".", 1)[-1][:12] if "." in name else "no ending"
    if ending.lower() in ("mf4", "mdf"):
        raise UnreadableFileError("MDF 4 files are not read: export the recording as CSV or Parquet")
    raise UnreadableFileError(f"the file's ending ({ending}) is no known format: export it as .csv or .parquet")
