"""The view `waveform_samples`: every stored sample in SQL, straight from the chunks."""

from importlib import resources
from pathlib import Path

import duckdb

SAMPLES_VIEW = "waveform_samples"


def view_samples(connection: duckdb.DuckDBPyConnection, folder: Path, database: str = "") -> None:
    """Make the view `waveform_samples` over the chunks, for any SQL client; none while there is no chunk.

    DuckDB knows no path relative to a database, so the view names the folder in full: a workspace that was moved gets
    its view again with the next publication.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Outside a transaction.
    folder : Path
        waveforms/ of the workspace.
    database : str
        Name it is attached by; empty for the one the connection was opened with.
    """
    if not has_chunks(folder):
        return
    view = f"{database}.{SAMPLES_VIEW}" if database else SAMPLES_VIEW
    text = (resources.files("pipelines") / "sql" / f"{SAMPLES_VIEW}.sql").read_text(encoding="utf-8")
    connection.execute(f"CREATE OR REPLACE VIEW {view} AS {text.replace('$chunks', chunks_in_sql(folder))}")


def has_chunks(folder: Path) -> bool:
    """Whether anything is stored.

    Parameters
    ----------
    folder : Path
        Folder of the waveforms.
    """
    return any(folder.glob("*.parquet"))


def chunks_in_sql(folder: Path) -> str:
    """All chunks, as SQL names them.

    Parameters
    ----------
    folder : Path
        Folder of the waveforms.
    """
    quoted = str(folder).replace("'", "''")
    return f"'{quoted}/*.parquet'"
