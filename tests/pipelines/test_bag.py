"""The sealed file against the standards it follows: BagIt (RFC 8493), RO-Crate 1.1 (https://w3id.org/ro/crate/1.1), ZIP and
Ed25519 (RFC 8032). Each test names the section it holds."""

import base64
import hashlib
import io
import json
import zipfile
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import ed25519, x25519
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
)

from data_contracts.errors import InputError
from pipelines.reports.bag import pack, seal_of, signer

AT = datetime(2026, 3, 9, 0, 30, 5, tzinfo=timezone(timedelta(hours=2)))
"""Half an hour past midnight on the 9th, where it is still the 8th in UTC."""
PAYLOAD = {
    "tables/vans.csv": (b"van_id\nV1\n", "Vans, as text"),
    "tables/vans.parquet": (b"PAR1", "Vans, typed"),
    "report.pdf": (b"%PDF-1.7", "The report"),
    "odd.bin": ("Üß".encode(), "Of no known kind"),
}
ARCHIVED = ["bag-info.txt", "bagit.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"]


def packed(key: Path | None = None, name: str = "Van\nV1", at: datetime = AT) -> dict[str, bytes]:
    content = pack(PAYLOAD, name=name, about="Everything measured of van V1", at=at, key=key)
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {member: archive.read(member) for member in archive.namelist()}


@pytest.fixture(scope="module")
def bag() -> dict[str, bytes]:
    return packed()


@pytest.fixture(scope="module")
def entities(bag: dict[str, bytes]) -> dict[str, dict[str, Any]]:
    """The graph by @id; RO-Crate 1.1, RO-Crate JSON-LD: flattened, so each entity stands once."""
    graph = json.loads(bag["data/ro-crate-metadata.json"])["@graph"]
    assert len({entity["@id"] for entity in graph}) == len(graph)
    return {entity["@id"]: entity for entity in graph}


def test_bag_declaration(bag: dict[str, bytes]) -> None:
    """RFC 8493, 2.1.1: exactly two lines, in this order and spelling."""
    assert bag["bagit.txt"] == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def test_payload_directory_and_manifest(bag: dict[str, bytes]) -> None:
    """RFC 8493, 2.1.2 and 2.1.3: all payload under data/, each once in the manifest with its checksum; 2.4: named sha256."""
    payload = {name: content for name, content in bag.items() if name.startswith("data/")}
    assert set(payload) == {"data/ro-crate-metadata.json", *(f"data/{name}" for name in PAYLOAD)}
    assert all(payload[f"data/{name}"] == content for name, (content, _) in PAYLOAD.items())
    lines = bag["manifest-sha256.txt"].decode("utf-8").splitlines()
    told = [line.split(maxsplit=1) for line in lines]
    assert {name: digest for digest, name in told} == {
        name: hashlib.sha256(content).hexdigest() for name, content in payload.items()
    }
    assert len(told) == len(payload)


def test_tag_manifest(bag: dict[str, bytes]) -> None:
    """RFC 8493, 2.2.1: every tag file but tag manifests, the payload manifest among them."""
    told = dict(reversed(line.split(maxsplit=1)) for line in bag["tagmanifest-sha256.txt"].decode().splitlines())
    tags = ("bag-info.txt", "bagit.txt", "manifest-sha256.txt")
    assert told == {name: hashlib.sha256(bag[name]).hexdigest() for name in tags}
    assert sorted(name for name in bag if not name.startswith("data/")) == ARCHIVED


def test_bag_information(bag: dict[str, bytes]) -> None:
    """RFC 8493, 2.2.2: label, colon, value on one line; the day as YYYY-MM-DD; octets and streams of the payload."""
    lines = bag["bag-info.txt"].decode("utf-8").splitlines()
    told = dict(line.split(": ", 1) for line in lines)
    payload = [content for name, content in bag.items() if name.startswith("data/")]
    assert told == {
        "External-Description": "Van V1",
        "Bagging-Date": "2026-03-08",
        "Payload-Oxum": f"{sum(map(len, payload))}.{len(payload)}",
    }


def test_metadata_file_descriptor(entities: dict[str, dict[str, Any]]) -> None:
    """RO-Crate 1.1, RO-Crate Metadata File Descriptor; Appendix, Adding RO-Crate to BagIt: its root is data/."""
    assert entities["ro-crate-metadata.json"] == {
        "@id": "ro-crate-metadata.json",
        "@type": "CreativeWork",
        "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
        "about": {"@id": "./"},
    }


def test_root_data_entity(entities: dict[str, dict[str, Any]]) -> None:
    """RO-Crate 1.1, Direct properties of the Root Data Entity: all six, and hasPart for every file."""
    root = dict(entities["./"])
    assert root.pop("@type") == "Dataset"
    assert root.pop("@id") == "./"
    assert (root.pop("name"), root.pop("description")) == ("Van\nV1", "Everything measured of van V1")
    dated = root.pop("datePublished")
    assert dated == "2026-03-08T22:30:05+00:00"  # ISO 8601
    assert datetime.fromisoformat(dated) == AT
    assert "not for publication" in root.pop("license")  # may be a text where no licence is granted
    parts = root.pop("hasPart")
    assert [sorted(part) for part in parts] == [["@id"]] * len(PAYLOAD)
    assert sorted(part["@id"] for part in parts) == sorted(PAYLOAD)
    assert root == {}


def test_file_data_entities(entities: dict[str, dict[str, Any]]) -> None:
    """RO-Crate 1.1, File Data Entity and its encodings: path from the root, type File, media type, size as text."""
    media = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet", "pdf": "application/pdf"}
    assert set(entities) == {"./", "ro-crate-metadata.json", *PAYLOAD}
    for path, (content, line) in PAYLOAD.items():
        assert entities[path] == {
            "@id": path,
            "@type": "File",
            "description": line,
            "encodingFormat": media.get(path.rsplit(".")[-1], "application/octet-stream"),  # RFC 2046, 4.5.1
            "contentSize": str(len(content)),
            "sha256": hashlib.sha256(content).hexdigest(),
        }


def test_context_defines_every_term(bag: dict[str, bytes]) -> None:
    """RO-Crate 1.1, RO-Crate JSON-LD Context: by reference; Appendix, Extending RO-Crate: a term it lacks is added beside it.

    The 1.1 context (2021-02-15) defines what is listed here; sha256 came to schema.org later.
    """
    known = {"about", "conformsTo", "contentSize", "datePublished", "description", "encodingFormat", "hasPart"}
    known |= {"license", "name"}
    document = json.loads(bag["data/ro-crate-metadata.json"])
    reference, own = document["@context"]
    assert reference == "https://w3id.org/ro/crate/1.1/context"
    assert own == {"sha256": "https://schema.org/sha256"}
    used = {key for entity in document["@graph"] for key in entity if not key.startswith("@")}
    assert used == known | set(own)
    assert "Ü" not in bag["data/ro-crate-metadata.json"].decode("utf-8")
    assert "Ü" in packed(name="Ü")["data/ro-crate-metadata.json"].decode("utf-8")  # always UTF-8, as it is written


def test_archive_unpacks_as_plain_files_of_one_time() -> None:
    """ZIP APPNOTE 4.4.2, 4.4.5, 4.4.6: made on Unix, so that its mode counts; deflated; no time before 1980."""
    for at, stamp in ((AT, (2026, 3, 8, 22, 30, 4)), (datetime(1970, 1, 1, tzinfo=UTC), (1980, 1, 1, 0, 0, 0))):
        content = pack(PAYLOAD, name="x", about="x", at=at, key=None)
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = archive.infolist()
        assert {entry.date_time for entry in entries} == {stamp}  # to two seconds
        assert {entry.create_system for entry in entries} == {3}
        assert {entry.external_attr >> 16 for entry in entries} == {0o644}
        assert {entry.compress_type for entry in entries} == {zipfile.ZIP_DEFLATED}
        assert [entry.filename for entry in entries] == sorted(entry.filename for entry in entries)


def test_the_seal_is_the_hash_of_the_tag_manifest_to_be_read_out(bag: dict[str, bytes]) -> None:
    groups = seal_of(bag["tagmanifest-sha256.txt"]).split(" ")
    assert [len(group) for group in groups] == [8] * 8
    assert "".join(groups) == hashlib.sha256(bag["tagmanifest-sha256.txt"]).hexdigest()


def test_signature_holds_for_whoever_checks_it_without_this_program(tmp_path: Path) -> None:
    """RFC 8032, 5.1: the raw key of 32 bytes and the signature of 64, over the tag manifest as it stands."""
    key = ed25519.Ed25519PrivateKey.generate()
    pem = tmp_path / "key.pem"
    pem.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    signed = packed(pem)
    told = json.loads(signed["signature.json"])
    assert set(told) == {"algorithm", "signs", "public_key", "signature"}
    assert told["algorithm"] == "Ed25519"
    over = signed[told["signs"]]
    assert told["signs"] == "tagmanifest-sha256.txt"
    public = base64.b64decode(told["public_key"], validate=True)
    assert public == key.public_key().public_bytes_raw()
    checker = ed25519.Ed25519PublicKey.from_public_bytes(public)
    checker.verify(base64.b64decode(told["signature"], validate=True), over)
    with pytest.raises(InvalidSignature):
        checker.verify(base64.b64decode(told["signature"]), over + b"\n")
    assert signer(over, signed["signature.json"]) == hashlib.sha256(public).hexdigest()[:32]
    assert signer(over + b"\n", signed["signature.json"]) is None
    for broken in (b"", b"[]", b"{}", json.dumps(told | {"public_key": "?"}).encode(), b"null", b'{"public_key": 1}'):
        assert signer(over, broken) is None
    assert "signature.json" not in signed["tagmanifest-sha256.txt"].decode()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "can't be read"),
        (b"", "can't be read"),
        (
            ed25519.Ed25519PrivateKey.generate().private_bytes(
                Encoding.PEM, PrivateFormat.PKCS8, BestAvailableEncryption(b"secret")
            ),
            "without a password",
        ),
        (
            x25519.X25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()),
            "is not an Ed25519 key",
        ),
    ],
    ids=["missing", "empty", "locked", "of another kind"],
)
def test_a_key_that_does_not_sign_is_one_line(tmp_path: Path, content: bytes | None, said: str) -> None:
    pem = tmp_path / "key.pem"
    if content is not None:
        pem.write_bytes(content)
    with pytest.raises(InputError, match="signing_key") as refused:
        packed(pem)
    assert said in str(refused.value)
    assert str(pem) in str(refused.value)
    assert "\n" not in str(refused.value)
