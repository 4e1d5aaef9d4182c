"""A ZIP that shows whether it was altered: a BagIt bag (RFC 8493) around an RO-Crate 1.1, SHA-256 of everything, reproducible.

The bag's manifests name every file and its hash; the seal is the hash of the last of them, so one short line kept elsewhere
(on paper, in a message) shows that nothing was altered since. A signature, where a key is set, shows by whom.
"""

import base64
import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from data_contracts.errors import InputError

CRATE = "data/ro-crate-metadata.json"
MANIFEST, TAG_MANIFEST, SIGNATURE = "manifest-sha256.txt", "tagmanifest-sha256.txt", "signature.json"
FINGERPRINT = 32
"""Hexadecimal digits of a key's fingerprint: 128 bits of its SHA-256."""
LARGEST_BYTES = 4 * 1024**3
_MEDIA = {
    ".pdf": "application/pdf",
    ".csv": "text/csv",
    ".parquet": "application/vnd.apache.parquet",
    ".txt": "text/plain",
    ".json": "application/json",
    ".jpg": "image/jpeg",
}


def sha256(content: bytes) -> str:
    """SHA-256, hexadecimal.

    Parameters
    ----------
    content : bytes
        What to hash.
    """
    return hashlib.sha256(content).hexdigest()


def pack(payload: Mapping[str, tuple[bytes, str]], *, name: str, about: str, at: datetime, key: Path | None) -> bytes:
    """Pack a bag.

    Parameters
    ----------
    payload : mapping of str to (bytes, str)
        Path under data/ to content and one line of description.
    name, about : str
        Title and description of the whole.
    at : datetime
        Stated time, with offset: the only one in the file.
    key : Path or None
        PEM of an Ed25519 private key to sign with.

    Returns
    -------
    bytes
        ZIP.
    """
    files = {f"data/{path}": content for path, (content, _) in payload.items()}
    files[CRATE] = _crate(payload, name=name, about=about, at=at)
    size = sum(len(content) for content in files.values())
    tags = {
        "bagit.txt": b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        "bag-info.txt": f"External-Description: {' '.join(name.split())}\nBagging-Date: {at.astimezone(UTC):%Y-%m-%d}\n"
        f"Payload-Oxum: {size}.{len(files)}\n".encode(),
        MANIFEST: _manifest(files),
    }
    tags[TAG_MANIFEST] = _manifest(tags)
    if key is not None:
        tags[SIGNATURE] = sign(tags[TAG_MANIFEST], key)
    return zipped({**tags, **files}, at)


def seal_of(tag_manifest: bytes) -> str:
    """The seal: hash of the tag manifest, in groups that can be read out.

    Parameters
    ----------
    tag_manifest : bytes
        The bag's last manifest.
    """
    return grouped(sha256(tag_manifest))


def grouped(digest: str) -> str:
    """A SHA-256 in groups that can be read out.

    Parameters
    ----------
    digest : str
        Hexadecimal.
    """
    return " ".join(digest[k : k + 8] for k in range(0, 64, 8))


def _manifest(files: Mapping[str, bytes]) -> bytes:
    return "".join(f"{sha256(files[path])}  {path}\n" for path in sorted(files)).encode()


def _crate(payload: Mapping[str, tuple[bytes, str]], *, name: str, about: str, at: datetime) -> bytes:
    parts = [
        {
            "@id": path,
            "@type": "File",
            "description": line,
            "encodingFormat": _MEDIA.get(Path(path).suffix, "application/octet-stream"),
            "contentSize": str(len(content)),
            "sha256": sha256(content),
        }
        for path, (content, line) in sorted(payload.items())
    ]
    root = {
        "@id": "./",
        "@type": "Dataset",
        "name": name,
        "description": about,
        "datePublished": at.astimezone(UTC).isoformat(timespec="seconds"),
        "license": "Owned by the fleet that recorded it; not for publication.",
        "hasPart": [{"@id": part["@id"]} for part in parts],
    }
    about_itself = {
        "@id": "ro-crate-metadata.json",
        "@type": "CreativeWork",
        "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
        "about": {"@id": "./"},
    }
    terms = ["https://w3id.org/ro/crate/1.1/context", {"sha256": "https://schema.org/sha256"}]  # 1.1 lacks sha256
    document = {"@context": terms, "@graph": [about_itself, root, *parts]}
    return (json.dumps(document, ensure_ascii=False, indent=1) + "\n").encode()


def zipped(files: Mapping[str, bytes], at: datetime) -> bytes:
    """A ZIP with one fixed time for all members, sorted by name.

    Parameters
    ----------
    files : mapping of str to bytes
        Path within the archive to content.
    at : datetime
        Time given to every member.
    """
    stamp = max(at.astimezone(UTC), datetime(1980, 1, 1, tzinfo=UTC))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for path in sorted(files):
            entry = zipfile.ZipInfo(path, stamp.timetuple()[:6])
            entry.create_system, entry.external_attr, entry.compress_type = 3, 0o644 << 16, zipfile.ZIP_DEFLATED
            archive.writestr(entry, files[path])
    return out.getvalue()


def sign(content: bytes, key: Path) -> bytes:
    """Sign with an Ed25519 key.

    Parameters
    ----------
    content : bytes
        What to sign.
    key : Path
        PEM file of the key.

    Raises
    ------
    InputError
        If the key can't be read or is of another kind.
    """
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        held = load_pem_private_key(key.read_bytes(), password=None)
    except (OSError, ValueError, TypeError) as error:
        raise InputError(
            f"signing_key {key} can't be read ({type(error).__name__}): name an Ed25519 key in PEM without a password"
        ) from error
    if not isinstance(held, Ed25519PrivateKey):
        raise InputError(f"signing_key {key} is not an Ed25519 key: make one with `openssl genpkey -algorithm ed25519`")
    document = {
        "algorithm": "Ed25519",
        "signs": TAG_MANIFEST,
        "public_key": base64.b64encode(held.public_key().public_bytes_raw()).decode(),
        "signature": base64.b64encode(held.sign(content)).decode(),
    }
    return (json.dumps(document, indent=1) + "\n").encode()


def signer(content: bytes, signature: bytes) -> str | None:
    """Fingerprint of the key that signed, or None where the signature is not valid.

    Parameters
    ----------
    content : bytes
        What was signed.
    signature : bytes
        The signature.
    """
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        document = json.loads(signature)
        public = base64.b64decode(document["public_key"], validate=True)
        Ed25519PublicKey.from_public_bytes(public).verify(
            base64.b64decode(document["signature"], validate=True), content
        )
    except (ValueError, KeyError, TypeError, InvalidSignature):
        return None
    return sha256(public)[:FINGERPRINT]
