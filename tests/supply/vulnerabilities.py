"""Known vulnerabilities of what is locked: `make audit`, or `python -m tests.supply.vulnerabilities`.

Asks a database with the interface of OSV (https://google.github.io/osv.dev/post-v1-querybatch/), https://api.osv.dev or the one
named in VANSNAP_OSV. Where none can be reached, as on a machine without the network, it says that nothing was checked and ends
with 0, or with 2 where VANSNAP_REQUIRE_AUDIT=1. A finding ends with 1.
"""

import json
import os
import sys
import urllib.error
import urllib.request
from pathlib import Path

from tests.supply.locked import ROOT, locked

LOCKS = tuple(ROOT / name for name in ("requirements.lock", "requirements-setup.lock", "requirements-tests.lock"))
DATABASE = "https://api.osv.dev"
_PATIENCE_S = 30


def known(address: str, packages: list[tuple[str, str]]) -> dict[tuple[str, str], list[str]]:
    """Identifiers of what is known, by package and version; only packages with any."""
    asked = [{"package": {"ecosystem": "PyPI", "name": name}, "version": version} for name, version in packages]
    request = urllib.request.Request(
        f"{address}/v1/querybatch",
        json.dumps({"queries": asked}).encode(),
        {"Content-Type": "application/json"},
    )
    with urllib.request.urlopen(request, timeout=_PATIENCE_S) as answer:
        results = json.load(answer)["results"]
    if len(results) != len(packages):
        raise ValueError(f"{len(results)} answers to {len(packages)} questions")
    found = {
        one: sorted(str(v["id"]) for v in result.get("vulns", ()))
        for one, result in zip(packages, results, strict=True)
    }
    return {one: ids for one, ids in found.items() if ids}


def main(locks: tuple[Path, ...] = LOCKS) -> int:
    """Print what is known; the exit code."""
    packages = sorted({(one.name, one.version) for lock in locks for one in locked(lock)})
    address = os.environ.get("VANSNAP_OSV", DATABASE).rstrip("/")
    try:
        found = known(address, packages)
    except (OSError, ValueError, KeyError, TypeError) as error:
        print(f"not checked for known vulnerabilities: {address} gave no answer ({error})", file=sys.stderr)
        return 2 if os.environ.get("VANSNAP_REQUIRE_AUDIT") == "1" else 0
    for (name, version), ids in found.items():
        print(f"{name} {version}: {', '.join(ids)}")
    print(f"{len(packages)} packages asked, {len(found)} with known vulnerabilities")
    return int(bool(found))


if __name__ == "__main__":
    sys.exit(main())
