"""What tracking found of single captures, stored with them."""

import polars as pl

from pipelines.storage.warehouse import Warehouse


def store_captures(warehouse: Warehouse, rows: pl.DataFrame) -> None:
    """Which repeat stands for its visit, what counts though it was sent back, and the main peak at reference conditions.

    Parameters
    ----------
    warehouse : Warehouse
        Within a transaction.
    rows : polars.DataFrame
        `captures` of an assessment. A capture that is not among them is held no longer.
    """
    with warehouse.rows("_assessed", rows):
        warehouse.execute(
            "UPDATE captures SET held = NULL WHERE held IS NOT NULL AND capture_id NOT IN (SELECT capture_id FROM _assessed)"
        )
        warehouse.execute(
            "UPDATE captures SET held = a.held FROM _assessed a "
            "WHERE captures.capture_id = a.capture_id AND captures.held IS DISTINCT FROM a.held"
        )
        warehouse.execute(
            "UPDATE captures SET representative = a.representative FROM _assessed a "
            "WHERE captures.capture_id = a.capture_id AND captures.representative IS DISTINCT FROM a.representative"
        )
        warehouse.execute(
            "UPDATE readings SET main_peak_reference_g_s = a.main_peak_reference_g_s, "
            "main_peak_reference_g_s_u = a.main_peak_reference_g_s_u FROM _assessed a "
            "WHERE readings.capture_id = a.capture_id "
            "AND readings.main_peak_reference_g_s IS DISTINCT FROM a.main_peak_reference_g_s "
            "AND a.main_peak_reference_g_s IS NOT NULL"
        )
