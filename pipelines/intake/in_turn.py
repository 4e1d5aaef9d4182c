"""Recordings whose channels were written in turn and read as if their empty cells were missing samples."""

import numpy as np

from data_contracts.capture import Waveform
from data_contracts.recorder import RecorderProfile
from data_contracts.signals import AIRFLOW_SIGNALS

# Rows that fill some channels and leave others empty, and rows without air mass, from which channels count as written in
# turn: a logger does so in every row, and a trace with so many gaps holds no landmark. Of our choosing.
_ROWS, _WITHOUT_AIR = 0.9, 0.25


def written_in_turn(waveform: Waveform, profile: RecorderProfile) -> str | None:
    """Why a recording is refused for its gaps: nothing could be read of it, and the profile can say what they are.

    Parameters
    ----------
    waveform : Waveform
    profile : RecorderProfile
        It was decoded through.

    Returns
    -------
    str or None
        One line; None where its channels have no such gaps.
    """
    if profile.empty_cell == "unchanged" or len(waveform.channels) < 2:
        return None
    if not any(np.isnan(samples).any() for samples in waveform.channels.values()):
        return None
    missing = np.stack([np.isnan(samples) for samples in waveform.channels.values()])
    told = "air mass" if any(name in AIRFLOW_SIGNALS for name in waveform.channels) else "lambda"
    air = [
        np.isnan(samples)
        for name, samples in waveform.channels.items()
        if (name in AIRFLOW_SIGNALS if told == "air mass" else told in name)
    ]
    mixed = missing.any(axis=0) & ~missing.all(axis=0)
    without = float(np.mean(air, axis=1).max()) if air else 0.0
    if mixed.mean() < _ROWS or without < _WITHOUT_AIR or not missing.any(axis=1).all() or missing.all(axis=1).any():
        return None
    return (
        f"the channels are written in turn, {100 * without:.0f} % of the samples hold no {told}: "
        'write empty_cell = "unchanged" under [profile] of the recorder profile, or name one that does'
    )
