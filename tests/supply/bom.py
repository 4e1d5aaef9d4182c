"""The bill of materials of what runs (CycloneDX 1.5) and the list of licences: `make sbom`, or `python -m tests.supply.bom [FOLDER]`.

Made of the lock and the metadata of what is installed of it; the same lock gives the same bytes.
"""

import json
import re
import sys
from importlib import metadata
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.supply.locked import ROOT, Locked, locked


def _reference(name: str, version: str) -> str:
    return f"pkg:pypi/{name}@{version}"


def _licences(expression: str) -> list[dict[str, Any]]:
    if not expression:
        return []
    return [{"license": {"id": expression}} if re.fullmatch(r"[\w.+-]+", expression) else {"expression": expression}]


def _component(one: Locked) -> dict[str, Any]:
    return {
        "type": "library",
        "bom-ref": _reference(one.name, one.version),
        "name": one.name,
        "version": one.version,
        "purl": _reference(one.name, one.version),
        "licenses": _licences(one.licence),
        "properties": [
            {"name": "vansnap:installed-here", "value": str(one.installed).lower()},
            *({"name": "vansnap:locked-sha256", "value": digest} for digest in one.hashes),
        ],
    }


def bill_of_materials(packages: list[Locked]) -> dict[str, Any]:
    """The document."""
    own = metadata.distribution("vansnap")
    reference = {one.name: _reference(one.name, one.version) for one in packages}
    asked = {canonicalize_name(Requirement(line).name) for line in own.requires or []}
    itself = {
        "type": "application",
        "bom-ref": _reference("vansnap", own.version),
        "name": "vansnap",
        "version": own.version,
        "licenses": _licences(str(own.metadata.get("License-Expression"))),
    }
    depends = {itself["bom-ref"]: sorted(reference[name] for name in asked if name in reference)}
    depends |= {reference[one.name]: [reference[name] for name in one.needs] for one in packages}
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "metadata": {"component": itself},
        "components": [_component(one) for one in packages],
        "dependencies": [{"ref": one, "dependsOn": of} for one, of in depends.items()],
    }


def licence_list(packages: list[Locked]) -> str:
    """One line per package: name, version, licence."""
    lines = ["package,version,licence", *(f"{one.name},{one.version},{one.licence}" for one in packages)]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write both into a folder."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "build"
    folder.mkdir(parents=True, exist_ok=True)
    packages = locked()
    bom, licences = folder / "vansnap.cdx.json", folder / "licences.csv"
    bom.write_text(json.dumps(bill_of_materials(packages), indent=1) + "\n", encoding="utf-8")
    licences.write_text(licence_list(packages), encoding="utf-8")
    print(f"{len(packages)} packages: {bom} and {licences}")


if __name__ == "__main__":
    main()
