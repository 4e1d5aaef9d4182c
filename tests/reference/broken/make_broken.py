"""Makes the broken files of this folder; run it again after changing what is broken."""

import io
import stat
import warnings
import zipfile
from pathlib import Path

import numpy as np
import polars as pl

HERE = Path(__file__).parent
STAMP = (2026, 3, 2, 9, 0, 0)


def sound(samples: int = 1200, step_s: float = 0.001) -> pl.DataFrame:
    """A recording nothing is wrong with: idle, then a rise."""
    time = np.round(np.arange(samples) * step_s, 6)
    rise = 1.0 + 3.5 / (1.0 + np.exp(-(np.arange(samples) - samples / 2) / 15.0))
    return pl.DataFrame({"time_s": time, "airflow_v": np.round(rise * 819.2) / 819.2})


def parquet(frame: pl.DataFrame) -> bytes:
    """The frame as a Parquet file."""
    buffer = io.BytesIO()
    frame.write_parquet(buffer)
    return buffer.getvalue()


def archive(*members: tuple[zipfile.ZipInfo | str, bytes]) -> bytes:
    """A zip of the members, under the names given."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a doubled name is meant
        for name, content in members:
            info = name if isinstance(name, zipfile.ZipInfo) else zipfile.ZipInfo(name, STAMP)
            file.writestr(info, content)
    return buffer.getvalue()


def main() -> None:
    """Write every file."""
    good = sound()
    text = good.write_csv().splitlines(keepends=True)
    time = good["time_s"].to_numpy()
    back, standing = time.copy(), time.copy()
    back[500] = time[400]
    standing[500] = standing[499]
    manifest = b"file,van_id,captured_at\nwaveforms/a.csv,V001,2026-03-02T09:00:00Z\n"
    link = zipfile.ZipInfo("waveforms/a.csv", STAMP)
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    whole_zip = archive(("manifest.csv", manifest), ("waveforms/a.csv", good.write_csv().encode()))
    files: dict[str, bytes] = {
        "empty.csv": b"",
        "header_only.csv": b"time_s,airflow_v\n",
        "truncated.parquet": parquet(good)[: len(parquet(good)) * 2 // 3],
        "not_parquet.parquet": b"time_s,airflow_v\n0,1\n1,2\n",
        "text_in_number.csv": "".join([*text[:700], "0.699,n/a\n", *text[701:]]).encode(),
        "falling_time.csv": good.with_columns(time_s=back).write_csv().encode(),
        "standing_time.csv": good.with_columns(time_s=standing).write_csv().encode(),
        "missing_time.csv": "".join([*text[:300], ",1.0\n", *text[301:]]).encode(),
        "no_airflow.csv": good.rename({"airflow_v": "volts"}).write_csv().encode(),
        "all_missing.csv": good.with_columns(airflow_v=pl.lit(None, pl.Float64)).write_csv().encode(),
        "too_short.csv": sound(500).write_csv().encode(),
        "too_slow.csv": sound(12, 10.0).write_csv().encode(),
        "ragged.csv": "".join([*text[:10], "0.009,1.0,7\n", *text[11:]]).encode(),
        "binary.csv": bytes(range(256)) * 8,
        "recording.mf4": b"MDF     4.10    ",
        "absolute_path.zip": archive(("manifest.csv", manifest), ("/etc/vansnap.csv", b"x")),
        "dotdot.zip": archive(("manifest.csv", manifest), ("../escaped.csv", b"x")),
        "link.zip": archive(("manifest.csv", manifest), (link, b"/etc/hostname")),
        "two_members.zip": archive(("manifest.csv", manifest), ("manifest.csv", manifest)),
        "truncated.zip": whole_zip[: len(whole_zip) // 2],
    }
    for name, content in files.items():
        (HERE / name).write_bytes(content)


if __name__ == "__main__":
    main()
