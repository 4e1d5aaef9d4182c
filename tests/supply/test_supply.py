"""The bill of materials fits its published schema, licences are of a stated set, and known vulnerabilities are told. No network."""

import json
import re
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
from jsonschema import Draft7Validator
from referencing import Registry, Resource

from tests.supply.bom import bill_of_materials, licence_list
from tests.supply.locked import LOCK, Locked, locked
from tests.supply.vulnerabilities import main as audit

SCHEMAS = Path(__file__).parents[1] / "reference" / "cyclonedx"
ALLOWED = frozenset(
    [
        "0BSD",
        "Apache-2.0",
        "BSD-2-Clause",
        "BSD-3-Clause",
        "CC0-1.0",
        "CNRI-Python",
        "ISC",
        "MIT",
        "MIT-0",
        "MIT-CMU",
        "MPL-2.0",
        "PSF-2.0",
        "Zlib",
        "LLVM-exception",
    ]
)
"""Licences under which a package may be used and passed on with ours, Apache-2.0; MPL-2.0 of files we leave as they are."""
OPTIONAL = {"asammdf": "LGPL-3.0-or-later"}
"""Of the extra `mdf` alone: a library of its own that nobody needs to install."""


@pytest.fixture(scope="module")
def packages() -> list[Locked]:
    return locked()


def terms(expression: str) -> list[set[str]]:
    """Each way an SPDX expression leaves: the licences that all hold then."""
    flat = re.sub(r"[()]", "", expression)
    if " AND (" in expression or ") AND" in expression:  # an OR within: every name counts
        return [set(re.split(r" AND | OR | WITH ", flat))]
    return [set(re.split(r" AND | WITH ", way)) for way in flat.split(" OR ")]


def test_the_bill_of_materials_fits_the_published_schema(packages: list[Locked]) -> None:
    schemas = {path.name: json.loads(path.read_text(encoding="utf-8")) for path in SCHEMAS.glob("*.json")}
    there = [
        (f"http://cyclonedx.org/schema/{name}", Resource.from_contents(schema)) for name, schema in schemas.items()
    ]
    validator = Draft7Validator(schemas["bom-1.5.SNAPSHOT.schema.json"], registry=Registry().with_resources(there))
    document = json.loads(json.dumps(bill_of_materials(packages)))
    assert [error.message for error in validator.iter_errors(document)] == []
    names = re.findall(r"^([a-z0-9._-]+)==", LOCK.read_text(encoding="utf-8"), re.MULTILINE)
    assert {one["name"] for one in document["components"]} == set(names)
    known = {one["bom-ref"] for one in document["components"]} | {document["metadata"]["component"]["bom-ref"]}
    assert {name for one in document["dependencies"] for name in (one["ref"], *one["dependsOn"])} <= known
    document["components"][0]["type"] = "gauge"
    assert any("gauge" in error.message for error in validator.iter_errors(document))


def test_no_licence_is_outside_the_stated_set(packages: list[Locked]) -> None:
    outside = {
        one.name: one.licence
        for one in packages
        if one.installed
        and not any(way <= ALLOWED for way in terms(one.licence))
        and one.licence != OPTIONAL.get(one.name)
    }
    assert outside == STATED_EXCEPTIONS
    listed = licence_list(packages).splitlines()
    assert len(listed) == len(packages) + 1


STATED_EXCEPTIONS = {"text-unidecode": "Artistic-1.0 OR GPL-2.0-or-later"}
"""Needed by a package of the orchestrator; used as it is and not passed on by us, which the Artistic License allows."""


def test_a_licence_outside_is_found() -> None:
    assert not any(way <= ALLOWED for way in terms("GPL-3.0-only"))
    assert not any(way <= ALLOWED for way in terms("MIT AND AGPL-3.0-only"))
    assert any(way <= ALLOWED for way in terms("GPL-3.0-only OR MIT"))
    assert any(way <= ALLOWED for way in terms("MPL-2.0 AND (Apache-2.0 OR MIT)"))
    assert not any(way <= ALLOWED for way in terms(""))


class _Database(BaseHTTPRequestHandler):
    """Answers as an OSV database that knows one vulnerability of the package `gauge`."""

    def do_POST(self) -> None:
        asked = json.loads(self.rfile.read(int(self.headers["Content-Length"])))["queries"]
        results = [{"vulns": [{"id": "MADE-UP-1"}]} if one["package"]["name"] == "gauge" else {} for one in asked]
        content = json.dumps({"results": results}).encode()
        self.send_response(200)
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def database() -> Iterator[str]:
    server = HTTPServer(("127.0.0.1", 0), _Database)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    server.server_close()


def test_a_known_vulnerability_is_told(
    database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lock = tmp_path / "some.lock"
    monkeypatch.setenv("VANSNAP_OSV", database)
    lock.write_text(f"dial==1.0 \\\n    --hash=sha256:{'0' * 64}\n", encoding="utf-8")
    assert audit((lock,)) == 0
    lock.write_text(f"gauge==1.0 \\\n    --hash=sha256:{'0' * 64}\n", encoding="utf-8")
    assert audit((lock,)) == 1
    assert "gauge 1.0: MADE-UP-1" in capsys.readouterr().out


def test_without_a_database_it_says_that_nothing_was_checked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lock = tmp_path / "some.lock"
    lock.write_text(f"dial==1.0 \\\n    --hash=sha256:{'0' * 64}\n", encoding="utf-8")
    monkeypatch.setenv("VANSNAP_OSV", "http://127.0.0.1:9")
    assert audit((lock,)) == 0
    assert "not checked" in capsys.readouterr().err
    monkeypatch.setenv("VANSNAP_REQUIRE_AUDIT", "1")
    assert audit((lock,)) == 2
