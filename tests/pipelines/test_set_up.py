"""The set-up installs nothing whose hash is not in a lock, and no test tools where nothing is tested. Needs no network."""

import base64
import hashlib
import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LOCKS = ("requirements.lock", "requirements-setup.lock", "requirements-tests.lock")


def wheel(folder: Path) -> str:
    """Hash of a package that is made here."""
    folder.mkdir()
    path = folder / "made_up_gauge-1.0-py3-none-any.whl"
    info = "made_up_gauge-1.0.dist-info"
    files = {
        "made_up_gauge.py": b"",
        f"{info}/METADATA": b"Metadata-Version: 2.1\nName: made-up-gauge\nVersion: 1.0\n",
        f"{info}/WHEEL": b"Wheel-Version: 1.0\nGenerator: tests\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    }
    record = "".join(
        f"{name},sha256={base64.urlsafe_b64encode(hashlib.sha256(content).digest()).decode().rstrip('=')},{len(content)}\n"
        for name, content in files.items()
    )
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in {**files, f"{info}/RECORD": f"{record}{info}/RECORD,,\n".encode()}.items():
            archive.writestr(name, content)
    return hashlib.sha256(path.read_bytes()).hexdigest()


def recipe(target: str) -> list[str]:
    """Commands of a target of the Makefile that install something."""
    text = (ROOT / "Makefile").read_text(encoding="utf-8")
    found = re.search(rf"^\$\({target}\):.*\n((?:\t.*\n)+)", text, re.MULTILINE)
    assert found is not None
    return [line.strip() for line in found[1].splitlines() if re.search(r"pip (install|sync)", line)]


def test_every_command_that_installs_asks_for_hashes() -> None:
    text = (ROOT / "Makefile").read_text(encoding="utf-8")
    assert re.search(r"^HASHED := --require-hashes$", text, re.MULTILINE)
    for target in ("READY", "TOOLS"):
        for line in recipe(target):
            own = line.endswith(
                "--no-deps --no-build-isolation --editable ."
            )  # this folder, built with what is installed
            assert own or ("$(HASHED)" in line and re.search(r"requirements(-\w+)?\.lock$", line)), line
    assert len(re.findall(r"pip (?:install|sync)", text)) == len(recipe("READY")) + len(recipe("TOOLS"))


@pytest.mark.parametrize("name", LOCKS)
def test_every_line_of_a_lock_has_a_hash(name: str) -> None:
    entries = re.split(r"\n(?=[a-z0-9])", (ROOT / name).read_text(encoding="utf-8"))
    entries = [entry for entry in entries if not entry.startswith("#")]
    assert len(entries) >= 2
    for entry in entries:
        assert re.match(r"[a-z0-9._-]+==\S+", entry), entry
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", entry), entry
        assert "://" not in entry


def test_test_tools_are_in_the_lock_of_the_tests_alone() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    names = [re.split(r"[=<>~\[]", one)[0] for one in project["dependency-groups"]["tests"]]
    assert "pytest" in names
    run, tests = (
        set(re.findall(r"^([a-z0-9._-]+==\S+)", (ROOT / name).read_text("utf-8"), re.MULTILINE)) for name in LOCKS[::2]
    )
    assert run < tests  # what runs is tested at the versions that run
    assert not {one.split("==")[0] for one in run} & set(names)
    assert set(names) <= {one.split("==")[0] for one in tests}


@pytest.mark.parametrize(
    "tool", [[sys.executable, "-m", "pip", "install"], [str(Path(sys.executable).with_name("uv")), "pip", "install"]]
)
def test_a_wrong_hash_and_none_end_the_set_up(tmp_path: Path, tool: list[str]) -> None:
    right = wheel(tmp_path / "wheels")
    wrong = right[:-1] + ("0" if right[-1] != "0" else "1")
    for line, works in ((f"--hash=sha256:{right}", True), (f"--hash=sha256:{wrong}", False), ("", False)):
        (tmp_path / "some.lock").write_text(f"made-up-gauge==1.0 {line}\n")
        target = tmp_path / f"target{works}{bool(line)}"
        given = ["--no-index", "--find-links", str(tmp_path / "wheels"), "--target", str(target), "-r"]
        command = [*tool, "--quiet", "--require-hashes", *given, str(tmp_path / "some.lock")]
        ended = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
        assert (ended.returncode == 0) == works, ended.stderr
        assert (target / "made_up_gauge.py").exists() == works
        assert works or "hash" in ended.stderr.lower()
