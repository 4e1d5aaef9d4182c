"""One capture as a file: canonical Parquet or CSV, or as one of two invented recorders writes it."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

_SLATE = {
    "airflow_v": ("Probe A [V]", 1.0, 4),
    "airflow_hz": ("Counter [kHz]", 1e-3, 4),
    "airflow_g_s": ("Air [mg/s]", 1e3, 1),
    "lambda_v": ("Probe B [mV]", 1e3, 1),
    "bank2_lambda_v": ("Probe C [mV]", 1e3, 1),
    "lambda_ratio": ("Lambda [1]", 1.0, 5),
}
_LEDGER = {
    "airflow_v": "air_volts",
    "airflow_hz": "air_hertz",
    "airflow_g_s": "air_grams",
    "lambda_v": "probe_volts",
    "bank2_lambda_v": "probe_volts_2",
    "lambda_ratio": "lambda",
}


def write_waveform(
    path: Path,
    time_s: NDArray[np.float64],
    channels: Mapping[str, NDArray[np.float32]],
    form: str,
    captured_at: datetime,
    full_scale: float,
) -> None:
    """Write one capture.

    Parameters
    ----------
    path : Path
        File to write.
    time_s : ndarray of shape (samples,)
        Time from the first sample. [s]
    channels : mapping of str to ndarray of shape (samples,)
        Canonical channels. [unit of the signal]
    form : {"parquet", "csv", "slate", "ledger"}
        Layout.
    captured_at : datetime
        Start, for the recorder that writes clock times.
    full_scale : float
        Air-mass samples from here on are an overflow to the recorder that says so. [raw]
    """
    import polars as pl

    if form == "parquet":
        _write_parquet(path, time_s, channels)
        return
    columns: dict[str, Any]
    if form == "csv":
        columns = {"time_s": np.round(time_s, 6)}
        columns |= {name: np.round(samples.astype(np.float64), 5) for name, samples in channels.items()}
        pl.DataFrame(columns).write_csv(path)
        return
    if form == "ledger":
        midnight = captured_at.replace(hour=0, minute=0, second=0, microsecond=0)
        start = (captured_at - midnight) / timedelta(seconds=1)
        moment = pl.from_epoch(pl.Series(np.round((start + time_s) * 1e6).astype(np.int64)), time_unit="us")
        columns = {"clock": moment.dt.strftime("%H:%M:%S%.6f")}
        columns |= {_LEDGER[n]: np.round(samples.astype(np.float64), 5) for n, samples in channels.items()}
        path.write_text("# ledger recorder, one row a sample\n" + pl.DataFrame(columns).write_csv(), encoding="utf-8")
        return
    frame = {"Time [µs]": pl.Series(np.round(time_s * 1e6).astype(np.int64)).cast(pl.String)}
    for name, samples in channels.items():
        header, scale, digits = _SLATE[name]
        text = pl.Series(np.round(samples.astype(np.float64) * scale, digits)).cast(pl.String)
        text = text.str.replace(".", ",", literal=True)
        if name.startswith("airflow"):
            over = pl.Series(samples >= full_scale - 1e-6)
            text = pl.select(pl.when(over).then(pl.lit("overflow")).otherwise(text)).to_series()
        frame[header] = text
    body = pl.DataFrame(frame).write_csv(separator=";", quote_style="never")
    head = "slate recorder\nambient 21 °C\nsamples follow\n"
    path.write_bytes((head + body).encode("latin-1"))


def _write_parquet(path: Path, time_s: NDArray[np.float64], channels: Mapping[str, NDArray[np.float32]]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pa.table({"time_s": time_s, **channels})
    pq.write_table(
        table,
        path,
        compression="zstd",
        use_dictionary=list(channels),
        use_byte_stream_split=["time_s"],
        store_schema=False,
    )
