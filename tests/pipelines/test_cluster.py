"""Batches on workers of a cluster: the same results as here, whatever becomes of the workers."""

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from data_contracts.errors import InputError
from pipelines.storage.warehouse import open_warehouse
from pipelines.weekly import read_captures, steps
from pipelines.weekly.batches import in_order
from pipelines.workspace.cluster_settings import ClusterSettings
from tests.pipelines.small_home import first_deliveries

distributed = pytest.importorskip("distributed")


def here() -> str:
    return "one"


def of_this_process() -> str:
    return f"process {os.getpid()}"


def doubled(number: int) -> tuple[int, bool]:
    """Twice the number, and whether a worker of a cluster did it."""
    return 2 * number, on_worker()


def on_worker() -> bool:
    try:
        distributed.get_worker()
    except ValueError:
        return False
    return True


def dies_once(job: tuple[int, str]) -> int:
    """Ends its worker at the third number, the first time."""
    number, marker = job
    if number == 3 and on_worker() and not Path(marker).exists():
        Path(marker).write_text("", encoding="utf-8")
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def dies_always(number: int) -> int:
    """Ends every worker that gets the third number."""
    if number == 3 and on_worker():
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def slow(number: int) -> int:
    time.sleep(0.2)
    return number


def times_out(path: str) -> str:
    """What a share does that does not answer a worker."""
    if on_worker():
        raise TimeoutError(f"{path} did not answer")
    return path


def opens(path: str) -> str:
    """What a worker does that sees no such folder."""
    if on_worker():
        raise FileNotFoundError(f"{path} is not there")
    return path


@pytest.fixture
def told() -> list[str]:
    return []


def test_results_come_in_order_from_the_workers(cluster: ClusterSettings, told: list[str]) -> None:
    results = list(in_order(doubled, range(30), version=here, cluster=cluster, tell=told.append))
    assert results == [(2 * number, True) for number in range(30)]
    assert told == []


def test_captures_read_on_a_cluster_are_those_read_here(
    cluster: ClusterSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(read_captures, "_LEAST_RECORDINGS", 7)
    monkeypatch.setattr(read_captures, "_POOL_FROM", 1)
    rows: list[Any] = []
    for place in ("", f'[cluster]\nscheduler = "{cluster.scheduler}"\n'):
        home, _ = first_deliveries(tmp_path / f"home-{len(rows)}")
        home.settings_path.write_text("[intake]\nworkers = 1\n" + place, encoding="utf-8")
        steps.intake(home.root, quiet=True)
        assert steps.read_captures(home.root) > 7
        with open_warehouse(home) as warehouse:
            rows.append(
                [warehouse.query(f"SELECT * FROM {name} ORDER BY ALL") for name in ("captures", "readings", "shapes")]
            )
    for alone, shared in zip(*rows, strict=True):
        assert alone.height > 0
        assert alone.equals(shared, null_equal=True)


def test_a_batch_whose_worker_ends_goes_to_another(cluster: ClusterSettings, told: list[str], tmp_path: Path) -> None:
    jobs = [(number, str(tmp_path / "ended")) for number in range(8)]
    assert list(in_order(dies_once, jobs, version=here, cluster=cluster, tell=told.append)) == list(range(8))
    assert (tmp_path / "ended").exists()
    assert told == []


def test_a_batch_that_ends_every_worker_is_done_here(cluster: ClusterSettings, told: list[str]) -> None:
    done = in_order(dies_always, range(6), version=here, processes=1, cluster=cluster, tell=told.append)
    assert list(done) == list(range(6))
    assert len(told) == 1
    assert "done on this machine instead" in told[0]


@pytest.mark.parametrize(
    ("work", "batch", "version", "why"),
    [
        (opens, "waveforms", here, "waveforms is not there"),
        (times_out, "waveforms", here, "waveforms did not answer"),
        (doubled, 1, of_this_process, "install the same there"),
    ],
)
def test_workers_that_are_not_as_this_machine_do_nothing(
    cluster: ClusterSettings, told: list[str], work: Any, batch: Any, version: Any, why: str
) -> None:
    (result,) = in_order(work, [batch], version=version, cluster=cluster, tell=told.append)
    assert result in ("waveforms", (2, False))
    assert len(told) == 1
    assert why in told[0]
    assert told[0].endswith("1 batch of 1 done on this machine instead")


def test_no_scheduler_no_delay_for_ever(told: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipelines.weekly.batches._ANSWER_S", 0.5)
    nobody = ClusterSettings(scheduler=f"tcp://127.0.0.1:{free_port()}")
    assert list(in_order(doubled, [4], version=here, cluster=nobody, tell=told.append)) == [(8, False)]
    assert len(told) == 1
    assert "\n" not in told[0]


def test_a_scheduler_that_ends_in_the_middle_leaves_the_rest_to_this_machine(
    told: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipelines.weekly.batches._ANSWER_S", 10.0)
    address = f"tcp://127.0.0.1:{free_port()}"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    command = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--port", address.rpartition(":")[2]]
    with subprocess.Popen([*command, "--no-dashboard", "--host", "127.0.0.1"], **quiet) as scheduler:  # type: ignore[call-overload]
        worker = subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_worker", address, "--no-dashboard", "--nthreads", "1"], **quiet
        )  # type: ignore[call-overload]
        try:
            results = []
            given = in_order(
                slow, range(20), version=here, processes=1, cluster=ClusterSettings(scheduler=address), tell=told.append
            )
            for number in given:
                results.append(number)
                if number == 4:
                    scheduler.kill()
        finally:
            scheduler.kill()
            worker.kill()
            worker.wait()
    assert results == list(range(20))
    assert len(told) == 1


def test_without_the_package_a_cluster_is_one_clear_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match="its extra `cluster`"):
        list(in_order(doubled, [1], version=here, cluster=ClusterSettings(workers=1)))


@pytest.mark.parametrize(
    ("values", "remedy"),
    [
        ({"scheduler": "head:8786"}, "give the scheduler's address"),
        ({"scheduler": "tcp://head:8786", "workers": 2}, "not both"),
        ({"scheduler": "tls://head:8786", "key": "k.pem"}, "three files"),
        ({"workers": -1}, "greater than or equal to 0"),
    ],
)
def test_settings_that_name_no_cluster_are_refused(values: dict[str, Any], remedy: str) -> None:
    with pytest.raises(ValidationError, match=remedy):
        ClusterSettings(**values)


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])
