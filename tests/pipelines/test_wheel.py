"""The wheel holds what the checkout holds: built, unpacked elsewhere, it reads a capture."""

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import polars as pl
import pytest

from tests.pipelines.small_home import SMALL_FLEET

ROOT = Path(__file__).parents[2]
PACKAGES = ("data_contracts", "models", "pipelines", "dashboards", "sample_fleet")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel of the files git knows, so that nothing left lying about gets in."""
    source, out = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("wheel")
    known = subprocess.run(
        ["git", "ls-files", "-z", *PACKAGES, "pyproject.toml", "README.md", "LICENSE"],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split("\0")
    for name in filter(None, known):
        (source / name).parent.mkdir(parents=True, exist_ok=True)
        (source / name).write_bytes((ROOT / name).read_bytes())
    build = "from setuptools.build_meta import build_wheel; import sys; build_wheel(sys.argv[1])"
    subprocess.run([sys.executable, "-c", build, str(out)], cwd=source, check=True, capture_output=True)
    (made,) = out.glob("*.whl")
    return made


def a_capture() -> tuple[Path, str]:
    """A recording of the small fleet in canonical form, and its van's family."""
    vans = pl.read_csv(SMALL_FLEET / "register" / "vans.csv")
    for manifest in sorted((SMALL_FLEET / "inbox").glob("*/manifest.csv")):
        rows = pl.read_csv(manifest, infer_schema=False).join(vans, on="van_id").filter(pl.col("recorder").is_null())
        for row in rows.filter(pl.col("lambda_banks").is_null()).iter_rows(named=True):
            return manifest.parent / row["file"], row["family"]
    raise AssertionError("no such capture in the small fleet")


def test_wheel_holds_every_module_and_data_file(wheel: Path) -> None:
    held = set(zipfile.ZipFile(wheel).namelist())
    kinds = {".py", ".sql", ".toml", ".csv", ".json", ".md", ".typ", ".css", ".svg"}
    wanted = {
        path.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for path in (ROOT / package).rglob("*")
        if path.suffix in kinds and path.name != "README.md" and not {"__pycache__", "pictures"} & {*path.parts}
    }
    assert wanted - held == set()


def test_installed_wheel_reads_a_capture(wheel: Path, tmp_path: Path) -> None:
    site, home = tmp_path / "site", tmp_path / "home"
    zipfile.ZipFile(wheel).extractall(site)
    recording, family = a_capture()
    # kernels run uncompiled: a fresh place has none, and to compile them all takes longer than to read one capture
    there = {**os.environ, "PYTHONPATH": str(site), "NUMBA_DISABLE_JIT": "1", "PYTHONDONTWRITEBYTECODE": "1"}

    def run(*arguments: str) -> str:
        code = (
            "import pipelines, sys; from pipelines.cli import main; print(pipelines.__path__, file=sys.stderr); main()"
        )
        done = subprocess.run(
            [sys.executable, "-P", "-c", code, *arguments], cwd=tmp_path, env=there, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        assert str(site) in done.stderr
        return done.stdout

    run("init", str(home))
    for file in (SMALL_FLEET / "register").glob("*.toml"):
        (home / "register" / file.name).write_bytes(file.read_bytes())
    document = json.loads(run("read", str(recording), "--family", family, "--json", "--home", str(home)))
    (capture,) = document["captures"]
    assert capture["verdict"] == "accept"
    assert capture["readings"]["main_peak_g_s"]["value"] > 10 * capture["readings"]["idle_g_s"]["value"]
