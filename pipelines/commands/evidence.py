"""What `vansnap evidence` and `vansnap check FILE.zip` say."""

from pathlib import Path

from data_contracts.plurals import counted
from pipelines.reports.claim import Claim
from pipelines.workspace.workspace import Workspace


def evidence_text(workspace: Workspace, van_id: str, out: Path, claim: Claim) -> str:
    """Write a warranty file; text with its seal.

    Parameters
    ----------
    workspace : Workspace
        The workspace.
    van_id : str
        Id of the van.
    out : Path
        File to write.
    claim : Claim
        What goes in.
    """
    from pipelines.reports.evidence import write_evidence

    made = write_evidence(workspace, van_id, out, claim)
    return (
        f"warranty file of {van_id} with {counted(made.recordings, 'recording', 'recordings')} written to {out}\n"
        f"seal {made.seal}\n"
        "keep the seal apart from the file: `vansnap check` prints it again, and only an unaltered file has it"
    )


def check_text(file: Path, home: Path) -> tuple[tuple[str, ...], str]:
    """Findings on a warranty file, and what to say when there are none; a workspace's settings say whom to trust.

    Parameters
    ----------
    file : Path
        The warranty file.
    home : Path
        Folder of the workspace.
    """
    from pipelines.read_side.published import board_settings
    from pipelines.reports.evidence_check import check_evidence

    verdict = check_evidence(file, board_settings(home).evidence.trusted_keys)
    signed = "not signed"
    if verdict.signed_by:
        whose = f"trusted as {verdict.trusted_as}" if verdict.trusted_as else "settings.toml lists no trusted keys"
        signed = f"signed with key {verdict.signed_by} ({whose})"
    return verdict.findings, (
        f"{file.name} agrees with its manifests; {signed}\n"
        f"seal {verdict.seal}\n"
        "compare the seal with the one told when the file was made: only an unaltered file has the same"
    )
