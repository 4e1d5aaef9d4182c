"""A waveform format nobody has, as a newcomer registers it: `DEVELOPERS.md`, *Add a waveform format*."""

import json

import numpy as np
import polars as pl
import pytest

from data_contracts.capture import Waveform, make_waveform
from data_contracts.recorder import RecorderProfile
from pipelines.intake.readers import recording
from pipelines.intake.readers.recording import Format

ENDING = ".rows.jsonl"


def read_rows(content: bytes, _profile: RecorderProfile) -> Waveform:
    """One JSON object a sample, under the canonical names."""
    rows = [json.loads(line) for line in content.splitlines()]
    columns = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    return make_waveform(columns.pop("time_s"), columns)


def written(frame: pl.DataFrame) -> bytes:
    """A recording in the format."""
    return frame.write_ndjson().encode()


def register(monkeypatch: pytest.MonkeyPatch) -> None:
    """Register it for the length of a test."""
    monkeypatch.setattr(recording, "FORMATS", (*recording.FORMATS, Format((ENDING,), read_rows)))
