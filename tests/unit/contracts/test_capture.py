"""Identity of a recording: the same samples are the same recording, whatever the origin of time or the file."""

import hashlib
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from data_contracts.capture import capture_id, make_waveform
from data_contracts.errors import WaveformError

TIME = np.arange(200) / 1000.0
FLOW = np.linspace(1.0, 4.0, 200)


def test_identity_is_the_hash_of_the_canonical_samples() -> None:
    waveform = make_waveform(TIME, {"airflow_v": FLOW})
    by_hand = hashlib.sha256()
    by_hand.update((np.arange(200, dtype="<i8") * 1_000_000).tobytes())
    by_hand.update(b"\x00airflow_v\x00" + FLOW.astype("<f4").tobytes())
    assert waveform.waveform_id == by_hand.hexdigest()


def test_the_origin_of_time_and_the_order_of_channels_do_not_matter() -> None:
    plain = make_waveform(TIME, {"airflow_v": FLOW, "lambda_v": FLOW / 5})
    moved = make_waveform(TIME - 0.3, {"lambda_v": FLOW / 5, "airflow_v": FLOW})
    assert plain.waveform_id == moved.waveform_id


def test_any_changed_sample_is_another_recording() -> None:
    other = FLOW.copy()
    other[17] += 1e-3
    assert make_waveform(TIME, {"airflow_v": FLOW}).waveform_id != make_waveform(TIME, {"airflow_v": other}).waveform_id
    assert (
        make_waveform(TIME, {"airflow_v": FLOW}).waveform_id
        != make_waveform(TIME * 1.001, {"airflow_v": FLOW}).waveform_id
    )


def test_infinite_and_missing_samples_are_one_missing() -> None:
    a, b = FLOW.copy(), FLOW.copy()
    a[3], b[3] = np.inf, np.nan
    assert make_waveform(TIME, {"airflow_v": a}).waveform_id == make_waveform(TIME, {"airflow_v": b}).waveform_id


@pytest.mark.parametrize(
    ("time", "channels", "named"),
    [
        ([0.0], {"airflow_v": [1.0]}, "at least 2"),
        ([0.0, np.nan], {"airflow_v": [1.0, 1.0]}, "sample 2 is not a number"),
        ([0.0, 0.002, 0.001], {"airflow_v": [1.0] * 3}, "does not rise at sample 3"),
        ([0.0, 0.0], {"airflow_v": [1.0] * 2}, "does not rise at sample 2"),
        ([0.0, 1e300], {"airflow_v": [1.0] * 2}, "time unit"),
        ([0.0, 0.1], {"boost_bar": [1.0] * 2}, "boost_bar"),
        ([0.0, 0.1], {"airflow_v": [1.0] * 3}, "3 samples, time has 2"),
    ],
)
def test_what_is_no_waveform_is_refused_in_one_line(time: list, channels: dict, named: str) -> None:
    with pytest.raises(WaveformError, match=named):
        make_waveform(np.array(time), {name: np.array(values) for name, values in channels.items()})


def test_a_capture_is_waveform_van_moment_and_snap() -> None:
    noon = datetime(2026, 3, 30, 12, tzinfo=UTC)
    same = noon.astimezone(timezone(timedelta(hours=2)))
    assert capture_id("w", "van-1", noon, 1) == capture_id("w", "van-1", same, 1)
    ids = {
        capture_id("w", "van-1", noon, 1),
        capture_id("w", "van-1", noon, 2),
        capture_id("w", "van-2", noon, 1),
        capture_id("w", "van-1", noon + timedelta(microseconds=1), 1),
        capture_id("x", "van-1", noon, 1),
    }
    assert len(ids) == 5
