"""Fitted models on disk: skops files with a fixed list of trusted types, beside their cards.

No pickle. A model whose libraries or training rows changed is fitted again, never guessed.
"""

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipelines.storage.plain_text import finite

TRUSTED = ("sklearn.tree._tree.Tree",)
"""Types outside skops' own list that our pipelines hold; never the list a file itself reports."""


def keep_models(folder: Path, models: Mapping[str, Any], cards: Sequence[Mapping[str, Any]]) -> None:
    """Write models and cards, each file whole or not at all.

    Parameters
    ----------
    folder : Path
        models/ of the workspace.
    models : mapping of str to estimator
        By name.
    cards : sequence of mapping
        How each was made: training rows' hash, features, versions, calibration.
    """
    import skops.io

    for name, model in models.items():
        _write(folder / f"{name}.skops", skops.io.dumps(model))
    text = json.dumps(finite(list(cards)), indent=2, ensure_ascii=False, sort_keys=True)
    _write(folder / "cards.json", text.encode())


def load_model(path: Path) -> Any:
    """A kept model.

    Parameters
    ----------
    path : Path
        A .skops file.

    Returns
    -------
    estimator

    Raises
    ------
    TypeError
        If the file holds a type that is not trusted.
    """
    import skops.io

    return skops.io.load(path, trusted=list(TRUSTED))


def _write(path: Path, content: bytes) -> None:
    fresh = path.with_name(f".{path.name}.fresh")
    with fresh.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(path)
