"""`vansnap forget`: a person's name taken out of what the workspace keeps."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from data_contracts.errors import InputError
from data_contracts.plurals import counted
from pipelines.commands.apply import apply_held
from pipelines.decisions.proofs import PERSON
from pipelines.intake.forgetting import (
    PLAN,
    Plan,
    carry_out,
    complete,
    everything_said,
    forms,
    plan_for,
    said_by,
)
from pipelines.storage.publish import publish, published_run
from pipelines.storage.warehouse import open_warehouse
from pipelines.workspace.log import audit, audit_lines
from pipelines.workspace.workspace import Workspace

_SHORTEST = 2


def forget(workspace: Workspace, person: str, *, in_texts: bool = False, dry_run: bool = False) -> str:
    """Put another name in the place of a person's.

    Parameters
    ----------
    workspace : Workspace
        Held by nobody.
    person : str
        As decisions carry it, or its name or address alone where that is nobody else's.
    in_texts : bool
        Also where reasons, notes and parts hold the name.
    dry_run : bool
        Change nothing, and say what would change.

    Returns
    -------
    str
        What was done and what still holds the name, for people.

    Raises
    ------
    InputError
        If nobody is named so, or several are.
    """
    with workspace.held():
        if dry_run and (workspace.root / PLAN).exists():
            raise InputError(
                "an earlier `vansnap forget` was cut off: run it or `vansnap weekly` first; nothing was changed"
            )
        cut_off = not dry_run and apply_held(workspace)
        with open_warehouse(workspace) as warehouse:
            said = everything_said(workspace, warehouse)
            logged = {str(line.get("person") or "") for line in audit_lines(workspace)}
            known = said_by(said.values()) | logged - {""}
            people = _meant(person, known)
            if not people and cut_off:
                return f"an earlier `vansnap forget` had been cut off and is done now; nobody of the name {person!r} is left"
            if not people:
                raise InputError(
                    f"nobody of the name {person!r} decided, mended or logged in here: give it as the board shows it"
                )
            plan = plan_for(workspace, said, people, in_texts=in_texts)
            lines = [_what(plan, dry_run=dry_run)]
            if not dry_run:
                carry_out(workspace, warehouse, plan)
                run = published_run(workspace.published_path, whole=False)
                if run is not None:
                    publish(warehouse, workspace.published_path, week=run[0])
        if not dry_run:
            complete(workspace)
            audit(workspace, "forgotten", next(iter(plan.people.values())), decisions=len(plan.renamed))
    after = [plan.documents.get(old, document) for old, document in said.items()]
    named = sorted({form for one in people for form in forms(one)}, key=str.casefold)
    lines += [
        f"{other} may be the same person and is named still: `vansnap forget --person {other!r}` takes that name out too"
        for other in sorted(known - {*people})
        if {form.casefold() for form in forms(other)} & {form.casefold() for form in named}
    ]
    return "\n".join([*lines, *_left(workspace, named, after)])


def _meant(person: str, known: set[str]) -> list[str]:
    """Names of the one who is meant; none: nobody is named so."""
    wanted = " ".join(person.split()).casefold()
    if len(wanted) < _SHORTEST or wanted == PERSON:
        raise InputError(f"person {person!r} is nobody: name somebody who decided, mended or logged in")
    exact = [one for one in known if forms(one)[0].casefold() == wanted]
    found = exact or [one for one in known if wanted in (form.casefold() for form in forms(one))]
    if len({forms(one)[-1].casefold() for one in found}) > 1:
        raise InputError(f"{person!r} may be {' or '.join(sorted(found))}: name one of them as a whole")
    return sorted(found)


def _what(plan: Plan, *, dry_run: bool) -> str:
    old, new = " and ".join(plan.people), next(iter(plan.people.values()))
    changed = counted(len(plan.renamed), "decision, note or mend", "decisions, notes and mends")
    if dry_run:
        return f"{old} would be replaced by another name in {changed} and in the log of logins; nothing was changed"
    return f"{old} is {new} from now on: in {changed}, the log of logins, the warehouse and the published file"


def _left(workspace: Workspace, named: Sequence[str], after: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """What still holds the name, and why."""
    texts = sum(any(_holds(str(one.get(field) or ""), named) for field in ("reason", "note", "parts")) for one in after)
    if texts:
        yield f"{counted(texts, 'text of a decision', 'texts of decisions')} may name the person: look at them, --in-texts replaces it there too"
    photos = {photo for one in after for photo in one.get("photos") or ()}
    if photos:
        yield f"{counted(len(photos), 'photo', 'photos')} (decisions/photos/) may show people: look at them; none was changed"
    for path in [workspace.settings_path, *sorted(workspace.register.rglob("*"))]:
        if path.is_file():
            lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
            where = [str(number) for number, line in enumerate(lines, 1) if _holds(line, named)]
            if where:
                yield f"{path.relative_to(workspace.root)} names the person in line {', '.join(where[:8])}: that is yours to change"
    kept = [
        path.name
        for pattern in (f"{workspace.warehouse_path.name}.before-*", "decisions/*-before-*")
        for path in sorted(workspace.root.glob(pattern))
    ]
    kept += [path.name for path in sorted(workspace.root.parent.glob(f"{workspace.root.name}.before-*"))]
    if kept:
        yield f"{', '.join(kept)} may hold the name: remove what you no longer need"
    yield (
        "not changed: backups until they are removed (`vansnap backup --keep`), warranty files and papers already written, "
        "deliveries as they came"
    )


def _holds(text: str, named: Sequence[str]) -> bool:
    folded = text.casefold()
    return any(form.casefold() in folded for form in named)
