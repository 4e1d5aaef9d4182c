"""A lost warehouse made again, on the small fleet with its decisions, proofs and two judged weeks: `python -m tests.studies.rebuild`.

Prints how long it took and every table that differs, of the warehouse and of the published file; exit code 1 where one does.
"""

import shutil
import sys
import tempfile
import time
from pathlib import Path

from pipelines.commands.check import check_workspace
from pipelines.commands.rebuild import rebuild
from tests.pipelines.small_home import judged_small_home
from tests.pipelines.test_rebuild import differing, tables
from tests.same_tables import differences


def main() -> int:
    """Lose it, make it again, compare."""
    with tempfile.TemporaryDirectory(prefix="vansnap-rebuild-") as folder:
        workspace = judged_small_home(Path(folder) / "home")
        before = tables(workspace)
        published = Path(folder) / "before.duckdb"
        shutil.copy(workspace.published_path, published)
        workspace.warehouse_path.unlink()
        workspace.published_path.unlink()
        start = time.monotonic()
        made = rebuild(workspace, told=lambda line: print(f"  {line}", flush=True))
        print(f"{made.deliveries} deliveries, {made.runs} judged runs: {time.monotonic() - start:.0f} s", flush=True)
        lines = [f"warehouse: {name} differs" for name in differing(before, tables(workspace))]
        lines += [f"published: {line}" for line in differences(published, workspace.published_path)]
        start = time.monotonic()
        found = [line for line in check_workspace(workspace, deep=True) if not line.startswith("in quarantine: ")]
        print(f"check --deep: {time.monotonic() - start:.0f} s", flush=True)
        lines += [f"check --deep: {line}" for line in found]
    print("\n".join(lines) or f"all {len(before)} tables are the same")
    return int(bool(lines))


if __name__ == "__main__":
    sys.exit(main())
