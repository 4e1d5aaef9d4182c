"""What a lock names and what is installed of it: version, hashes, licence, what it needs itself."""

import re
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
LOCK = ROOT / "requirements.lock"
STATED = {"skops": "MIT", "python-dateutil": "Apache-2.0 OR BSD-3-Clause"}
"""Licences that the metadata leave open, as the packages' own licence files have them."""
_SPDX = (  # what older metadata write, first match counts
    (r"artistic", "Artistic-1.0 OR GPL-2.0-or-later"),
    (r"lgpl ?v?3\+|lesser general public license v3 or later", "LGPL-3.0-or-later"),
    (r"mpl[- ]2\.0 and mit", "MPL-2.0 AND MIT"),
    (r"mit or apache", "MIT OR Apache-2.0"),
    (r"mozilla|mpl", "MPL-2.0"),
    (r"apache", "Apache-2.0"),
    (r"\bmit\b", "MIT"),
    (r"bsd[- ]2|2-clause", "BSD-2-Clause"),
    (r"bsd", "BSD-3-Clause"),
    (r"\bisc\b", "ISC"),
    (r"python software foundation|psf", "PSF-2.0"),
)


@dataclass(frozen=True)
class Locked:
    """A package of a lock.

    Attributes
    ----------
    name, version : str
    hashes : tuple of str
        SHA-256 of every file of it that may be installed.
    licence : str
        SPDX expression; empty where the package is not installed here or names none.
    needs : tuple of str
        Names of the packages it needs on this machine, those of the lock.
    installed : bool
        False for a package of another system or another Python.
    """

    name: str
    version: str
    hashes: tuple[str, ...]
    licence: str
    needs: tuple[str, ...]
    installed: bool


def licence_of(name: str, about: "metadata.PackageMetadata") -> str:
    """SPDX expression of a package; empty where its metadata name no licence known here."""
    if name in STATED:
        return STATED[name]
    if expression := about.get("License-Expression"):
        return str(expression)
    own = (about.get("License") or "").strip()
    classifiers = [c.split("::")[-1] for c in about.get_all("Classifier") or [] if c.startswith("License")]
    for told in (own if "\n" not in own and len(own) < 60 else "", *classifiers, own.split("\n")[0]):
        for pattern, spdx in _SPDX:
            if re.search(pattern, told, re.IGNORECASE):
                return spdx
    return ""


def locked(lock: Path = LOCK) -> list[Locked]:
    """Every package of a lock, in its order; one entry for several versions of several Pythons: that which is installed."""
    entries = re.split(r"\n(?=[a-z0-9])", lock.read_text(encoding="utf-8"))
    heads = [(re.match(r"([a-z0-9._-]+)==(\S+)(?: ; (.+?))? \\", entry), entry) for entry in entries]
    wanted = [(h[1], h[2], h[3], re.findall(r"sha256:([0-9a-f]{64})", entry)) for h, entry in heads if h is not None]
    there = {canonicalize_name(d.name): d for d in metadata.distributions()}
    names = {name for name, *_ in wanted}
    found: dict[str, Locked] = {}
    for name, version, marker, hashes in wanted:
        here = name in there and (marker is None or Marker(marker).evaluate())
        if name in found and not here:
            continue
        about = there[name].metadata if here else None
        needs = sorted({need for need in _needs(there[name]) if need in names} - {name}) if here else ()
        licence = licence_of(name, about) if about is not None else ""
        found[name] = Locked(name, version, tuple(sorted(hashes)), licence, tuple(needs), here)
    return list(found.values())


def _needs(one: metadata.Distribution) -> list[str]:
    asked = [Requirement(line) for line in one.requires or []]
    return [canonicalize_name(r.name) for r in asked if r.marker is None or r.marker.evaluate({"extra": ""})]
