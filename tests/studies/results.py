"""Write a study's section of RESULTS.md between its own two marks, and leave the rest alone."""

from collections.abc import Sequence
from pathlib import Path

RESULTS = Path(__file__).with_name("RESULTS.md")


def write_section(study: str, lines: Sequence[str], file: Path = RESULTS) -> None:
    """Replace what stands between a study's marks; a study without marks gets them at the end.

    Parameters
    ----------
    study : str
        Its name in `tests.studies`.
    lines : sequence of str
        Markdown.
    file : Path
    """
    begin, end = f"<!-- {study}: written by the study -->", f"<!-- {study}: end -->"
    text = file.read_text("utf-8")
    section = "\n".join([begin, "", *lines, "", end])
    if begin in text and end in text:
        before, rest = text.split(begin, 1)
        text = before + section + rest.split(end, 1)[1]
    else:
        text = text.rstrip("\n") + "\n\n" + section + "\n"
    file.write_text(text, "utf-8")
