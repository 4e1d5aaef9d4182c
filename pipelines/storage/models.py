"""Fitted models on disk: skops files with a fixed list of trusted types, beside their cards.

No pickle. A model whose libraries or training rows changed is fitted again, never guessed.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipelines.storage.atomic_files import write_atomically
from pipelines.storage.plain_text import finite

CARDS = "cards.json"
"""File of models/ with a card for each model, which names its file and that file's hash."""
TRUSTED = ("sklearn.tree._tree.Tree",)
"""Types outside skops' own list that our pipelines hold; never the list a file itself reports."""


def keep_models(folder: Path, models: Mapping[str, Any], cards: Sequence[Mapping[str, Any]]) -> None:
    """Write models and cards, each file whole or not at all; models of an earlier run are removed.

    A file is named by a hash of what its model is for: a family may be named anything, and many share one model. The
    card says both (`family`, `file`), and the file's hash (`sha256`).

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

    files = {name: f"{hashlib.sha256(name.encode()).hexdigest()[:16]}.skops" for name in models}
    hashes = {}
    for name, model in models.items():
        content = skops.io.dumps(model)
        hashes[name] = hashlib.sha256(content).hexdigest()
        write_atomically(folder / files[name], content)
    said = [
        {**card, "file": files[card["family"]], "sha256": hashes[card["family"]]}
        if card.get("family") in files
        else card
        for card in cards
    ]
    text = json.dumps(finite(said), indent=2, ensure_ascii=False, sort_keys=True)
    write_atomically(folder / CARDS, text.encode())
    for stale in folder.glob("*.skops"):
        if stale.name not in files.values():
            stale.unlink()


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
