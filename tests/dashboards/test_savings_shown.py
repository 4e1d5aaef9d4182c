"""What proven repairs saved, as the workshop is shown it."""

import re
from pathlib import Path

import duckdb

from dashboards.text import message
from tests.dashboards.conftest import View
from tests.published_sample import make_workspace


def test_the_workshop_says_what_proven_repairs_saved_and_which_vans_were_back(view: View, tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=3, weeks=16)
    with duckdb.connect(str(tmp_path / "published.duckdb")) as connection:
        connection.execute(
            "UPDATE work_orders SET state = 'proven', found = 'unmetered_air', duty = 1, flagged_by = ['idle_g_s']"
        )
        connection.execute("UPDATE work_orders SET severities = [{'code': 'unmetered_air', 'severity': 0.8}]")
        connection.execute(
            "INSERT INTO work_orders SELECT * REPLACE ('again' AS order_id, 'proposed' AS state, '2099-W01' AS week) FROM work_orders "
            "WHERE rank = 1 LIMIT 1"
        )
        connection.execute(
            "UPDATE work_orders SET week = '2098-W50' WHERE van_id = (SELECT van_id FROM work_orders WHERE order_id = 'again') AND state = 'proven'"
        )
    app = view("workshop", tmp_path)
    assert not app.exception
    saved = next(table.value for table in app.table if "Saved by proven repairs" in table.value.columns)
    assert saved["Depot"].to_list()[-1] == message("common.all")
    assert sorted(saved["Proven, but back for the same"].to_list()[:-1])[-1] == "1"
    amount = saved["Saved by proven repairs"].to_list()[-1]
    assert re.fullmatch(r"[\d\s\u202f,]+ EUR \([\d\s\u202f,]+ EUR to [\d\s\u202f,]+ EUR; repairs: \d+\)", amount), (
        amount
    )
