"""`vansnap check FILE.zip`: was a warranty file altered? Nothing is unpacked to disk."""

import hashlib
import io
import zipfile
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from data_contracts.capture import make_waveform
from data_contracts.entries import shown
from data_contracts.errors import MissingFileError, UnreadableFileError, VansnapError, first_line
from pipelines.intake.readers.apart import LONGEST_S, UPLOAD_MEMORY, bounded
from pipelines.intake.readers.columns import LARGEST_FILE_BYTES
from pipelines.intake.readers.parquet import check_plain
from pipelines.reports.bag import LARGEST_BYTES, MANIFEST, SIGNATURE, TAG_MANIFEST, seal_of, signer

_TAGS = ("bagit.txt", "bag-info.txt", MANIFEST)
_BLOCK = 1 << 20
MOST_MEMBERS = 20_000
"""Files of one warranty file: a van recorded five times a day for ten years. Of our choosing. [1]"""
_TEXTS = frozenset({*_TAGS, TAG_MANIFEST, SIGNATURE})
_LARGEST = {True: 16 * 1024**2, False: LARGEST_FILE_BYTES}  # of one member: lists and signature, everything else


@dataclass(frozen=True)
class Verdict:
    """What a check found.

    Attributes
    ----------
    findings : tuple of str
        One line each; empty where the file agrees with itself.
    seal : str
        Compare it with the one given when the file was made.
    signed_by : str or None
        Fingerprint of the signing key.
    trusted_as : str or None
        Whose key that is, by the settings; None where they don't list it.
    """

    findings: tuple[str, ...]
    seal: str
    signed_by: str | None
    trusted_as: str | None = None


def check_evidence(path: Path, trusted: Mapping[str, str] | None = None) -> Verdict:
    """Hash everything again; compare with the manifests, and the samples with their identity.

    It is done in a process apart, within bounds of memory and time: the file comes from outside.

    Parameters
    ----------
    path : Path
        Warranty file.
    trusted : mapping of str to str, optional
        Whose signature counts: name to fingerprint. With any, a file signed by nobody of them is a finding.

    Returns
    -------
    Verdict

    Raises
    ------
    MissingFileError
        If there is no such file.
    """
    if not path.is_file():
        what = "is no file" if path.exists() else "is not there"
        raise MissingFileError(f"{path} {what}: name a warranty file made by `vansnap evidence`")
    try:
        return bounded(UPLOAD_MEMORY, LONGEST_S, _opened, path, dict(trusted or {}))
    except UnreadableFileError as error:
        return Verdict((f"{path.name}: can't be checked ({error}): ask for the file again",), "", None)


def _opened(path: Path, trusted: Mapping[str, str]) -> Verdict:
    try:
        with zipfile.ZipFile(path) as archive:
            refused = _refused(archive.infolist())
            return _check(archive, trusted) if refused is None else Verdict((f"{path.name}: {refused}",), "", None)
    except MemoryError:
        raise
    except Exception as error:  # every part of a damaged archive has errors of its own
        line = f"{path.name}: the archive is damaged ({first_line(error)}): ask for the file again"
        return Verdict((line,), "", None)


def _refused(members: Sequence[zipfile.ZipInfo]) -> str | None:
    """Why an archive is no warranty file, seen before anything of it is unpacked."""
    if len(members) > MOST_MEMBERS:
        return f"holds {len(members)} files, at most {MOST_MEMBERS}: no warranty file holds that many"
    if sum(entry.file_size for entry in members) > LARGEST_BYTES:
        return f"unpacks to more than {LARGEST_BYTES >> 30} GiB: no warranty file is that large"
    for entry in members:
        if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED) or entry.flag_bits & 0x1:
            return f"{shown(entry.filename)} is packed as no warranty file is: ask for the file as it was made"
        if entry.file_size > _LARGEST[entry.filename in _TEXTS]:
            return (
                f"{shown(entry.filename)} unpacks to {entry.file_size / 1e6:.0f} MB: no warranty file holds such a one"
            )
    return None


def _check(archive: zipfile.ZipFile, trusted: Mapping[str, str]) -> Verdict:
    names = archive.namelist()
    counted = Counter(names)
    findings = [f"{name}: stands in the archive twice" for name, times in sorted(counted.items()) if times > 1]
    absent = [name for name in (*_TAGS, TAG_MANIFEST) if name not in counted]
    if absent:
        return Verdict(
            (*findings, *(f"{name}: is missing; this is no whole warranty file" for name in absent)), "", None
        )
    tag_manifest = archive.read(TAG_MANIFEST)
    told = _told(tag_manifest) | _told(archive.read(MANIFEST))
    findings += [f"{name}: is not named in {TAG_MANIFEST}" for name in _TAGS if name not in _told(tag_manifest)]
    for name in sorted(told):
        if name not in counted:
            findings.append(f"{name}: is missing")
        elif _digest(archive, name) != told[name]:
            findings.append(f"{name}: was altered (its SHA-256 is not the one in the manifest)")
    known = {*told, TAG_MANIFEST, SIGNATURE}
    findings += [f"{name}: was added (no manifest names it)" for name in sorted(set(names) - known)]
    findings += _samples(archive, [n for n in names if n.startswith("data/waveforms/") and n.endswith(".parquet")])
    signed_by = None
    if SIGNATURE in counted:
        signed_by = signer(tag_manifest, archive.read(SIGNATURE))
        if signed_by is None:
            findings.append(f"{SIGNATURE}: does not sign this file")
    trusted_as = next((name for name, key in trusted.items() if key.lower() == signed_by), None)
    if trusted and trusted_as is None:
        by = f"key {signed_by}, which is" if signed_by else "nobody"
        findings.append(
            f"{SIGNATURE}: signed by {by}{'' if signed_by else ', so'} not one of the trusted keys of settings.toml"
        )
    return Verdict(tuple(findings), seal_of(tag_manifest), signed_by, trusted_as)


def _told(manifest: bytes) -> dict[str, str]:
    lines = manifest.decode("utf-8", errors="replace").splitlines()
    return {name: digest for digest, _, name in (line.partition("  ") for line in lines if line)}


def _digest(archive: zipfile.ZipFile, name: str) -> str:
    digest = hashlib.sha256()
    with archive.open(name) as stream:
        try:
            while block := stream.read(_BLOCK):
                digest.update(block)
        except (zipfile.BadZipFile, EOFError):
            return "damaged"
    return digest.hexdigest()


def _samples(archive: zipfile.ZipFile, names: list[str]) -> list[str]:
    """Each recording is named by the hash of its samples, taken when it was delivered."""
    findings = []
    for name in sorted(set(names)):
        try:
            content = archive.read(name)
            check_plain(content)
            frame = pl.read_parquet(io.BytesIO(content))
            channels = {column: frame[column].to_numpy() for column in frame.columns if column != "time_s"}
            identity = make_waveform(frame["time_s"].to_numpy(), channels).waveform_id
        except (pl.exceptions.PolarsError, VansnapError, zipfile.BadZipFile, OSError):
            findings.append(f"{name}: holds no readable samples")
            continue
        if identity != Path(name).stem:
            findings.append(f"{name}: its samples are not those that were delivered under this name")
    return findings
