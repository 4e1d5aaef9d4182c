"""The command line. Heavy imports stay inside the commands, so that `vansnap read` starts at once.

Exit codes: 0 done; 1 `check` found something; 2 wrong usage or input, one clear line on stderr;
3 another run holds the workspace; 4 internal failure.
"""

import gc
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from data_contracts.errors import InputError
from data_contracts.states import CLAIM_FIELDS, NOTED
from pipelines.cli_backup import backup, restore, retention
from pipelines.cli_options import FaultCodes, Home, Json, Trim, print_json, print_line, proposal_printed
from pipelines.cli_papers import card, labels, list_tests, orders, sheet
from pipelines.cli_state import check, forget, notify, rebuild, status
from pipelines.workspace.few_heaps import few_heaps
from pipelines.workspace.workspace import DEFAULT_HOME, closed_to_others, open_workspace

app = typer.Typer(
    name="vansnap",
    help="Watches the fuel systems of a fleet of petrol vans from short throttle snaps.",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _tell_version(wanted: bool) -> None:
    if wanted:
        from pipelines.workspace.version import VERSION

        print_line(f"vansnap {VERSION}")
        raise typer.Exit


@app.callback()
def _vansnap(
    version: Annotated[
        bool, typer.Option("--version", callback=_tell_version, is_eager=True, help="Say the version and stop.")
    ] = False,
) -> None:
    """Watches the fuel systems of a fleet of petrol vans from short throttle snaps."""


@app.command()
def init(directory: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make.")]) -> None:
    """Make an empty workspace with commented example register files."""
    from pipelines.workspace.example_register import EXAMPLE_FILES
    from pipelines.workspace.workspace import make_workspace

    workspace = make_workspace(directory, EXAMPLE_FILES)
    print_line(f"workspace made in {workspace.root}")
    print_line("next: describe your families and vans in register/, drop deliveries into inbox/, then run")
    print_line(f"  vansnap weekly --home {directory}")


@app.command()
def demo(
    home: Home = Path(DEFAULT_HOME),
    vans: Annotated[int, typer.Option(min=5, max=2000, help="Vans in the sample fleet.")] = 60,
    weeks: Annotated[int, typer.Option(min=2, max=104, help="Weeks of visits.")] = 26,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the sample fleet.")] = 1,
    fresh: Annotated[bool, typer.Option("--fresh", help="Replace the workspace if it is an earlier demo.")] = False,
) -> None:
    """Build the sample fleet in a new workspace and run the weekly job on it."""
    from pipelines.commands.demo import run_demo

    summary = run_demo(home, vans=vans, weeks=weeks, seed=seed, fresh=fresh)
    print_line(summary)


@app.command()
def read(
    path: Annotated[Path, typer.Argument(metavar="FILE", help="A recording, or a folder of them.")],
    family: Annotated[
        str | None, typer.Option(help="The van's engine family, a key of families.toml; --van knows it.")
    ] = None,
    van: Annotated[
        str | None, typer.Option(metavar="V", help="The van, to hold it against its own past and its family.")
    ] = None,
    repaired: Annotated[
        str | None, typer.Option(metavar="CAUSE", help="Cause just repaired, to see whether it helped; with --van.")
    ] = None,
    home: Home = Path(DEFAULT_HOME),
    register: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Register to take the family from, without a workspace.")
    ] = None,
    recorder: Annotated[str, typer.Option(help="Recorder profile.")] = "canonical",
    coolant_c: Annotated[float | None, typer.Option(min=-60, max=200, help="Engine coolant, °C.")] = None,
    intake_air_c: Annotated[float | None, typer.Option(min=-60, max=150, help="Air at the intake duct, °C.")] = None,
    barometer_kpa: Annotated[float | None, typer.Option(min=40, max=120, help="Absolute pressure, kPa.")] = None,
    humidity_pct: Annotated[float | None, typer.Option(min=0, max=100, help="Relative humidity, %.")] = None,
    altitude_m: Annotated[float | None, typer.Option(min=-500, max=6000, help="Height above sea level, m.")] = None,
    closed_loop: Annotated[
        bool | None, typer.Option("--closed-loop/--open-loop", help="Whether the van reports closed loop.")
    ] = None,
    trim_idle_pct: Trim = None,
    trim_2500_pct: Trim = None,
    fault_codes: FaultCodes = "",
    as_json: Json = False,
    plot: Annotated[
        Path | None, typer.Option(metavar="OUT.svg", help="Write an annotated plot (.svg or .png).")
    ] = None,
) -> None:
    """Read one capture at the van: better, same or worse, accept or repeat, and every landmark with its uncertainty."""
    if not family and not van:
        if path.is_file() and recorder == "canonical":
            from pipelines.commands.decoded import propose_if_unfit

            with proposal_printed(path, as_json):
                propose_if_unfit(path, register or home / "register")
        raise InputError("name --family F, or --van V to hold it against the van's own past")
    if repaired and not van:
        raise InputError(f"--repaired {repaired}: name the van too, with --van V")
    from pipelines.intake.readers.apart import get_ready_for

    get_ready_for(path)
    from pipelines.cli_options import conditions_given
    from pipelines.commands.at_the_van import Target
    from pipelines.commands.read import read_file, read_folder

    conditions = conditions_given(
        coolant_c=coolant_c,
        intake_air_c=intake_air_c,
        barometer_kpa=barometer_kpa,
        humidity_pct=humidity_pct,
        altitude_m=altitude_m,
        closed_loop=closed_loop,
        trim_idle_pct=trim_idle_pct,
        trim_2500_pct=trim_2500_pct,
        fault_codes=fault_codes,
    )
    workspace = None if register is not None and not (home / "settings.toml").is_file() else open_workspace(home)
    folder = register if workspace is None or register is not None else workspace.register
    assert folder is not None
    target = Target(van or "", workspace.root if workspace is not None and van else None, repaired or "")
    reader = read_folder if path.is_dir() else read_file
    with proposal_printed(path, as_json):
        result = reader(
            path,
            family_name=family or "",
            register=folder,
            recorder=recorder,
            conditions=conditions,
            plot=plot,
            target=target,
        )
    if as_json:
        print_json(result.document)
    else:
        print_line(result.text)


@app.command()
def weekly(
    home: Home = Path(DEFAULT_HOME),
    week: Annotated[
        str | None,
        typer.Option(metavar="2026-W14", help="ISO week to publish as of (UTC); default the newest capture's."),
    ] = None,
    tell_nobody: Annotated[
        bool, typer.Option("--tell-nobody", help="Send no messages, whatever [notify] says: for a copy of a workspace.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Run the weekly job: intake, reading, tracking, watchlist, work orders, publish. Safe to run again at any point."""
    from data_contracts.weeks import check_week

    workspace = open_workspace(home)
    if week is not None:
        check_week(week, today=datetime.now(UTC))
    from pipelines.notify.tell import tell
    from pipelines.weekly.flows import run_weekly
    from pipelines.workspace.settings import load_settings

    summary = run_weekly(workspace, week, quiet=as_json, after=None if tell_nobody else tell)
    if as_json:
        print_json(summary.document())
    else:
        display = load_settings(workspace.settings_path).display
        print_line(summary.text(display.language, display.units))
        print_line(f"look at it: vansnap board --home {home}")


@app.command()
def serve(
    home: Home = Path(DEFAULT_HOME),
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port of the orchestrator's server.")] = 4220,
) -> None:
    """Start the orchestrator's own server on loopback and the weekly schedule from settings."""
    workspace = open_workspace(home)
    from pipelines.notify.tell import tell, tell_again
    from pipelines.weekly.on_schedule import serve as serve_schedule
    from pipelines.workspace.settings import load_settings

    schedule = load_settings(workspace.settings_path).schedule
    print_line(f"weekly schedule: {schedule.cron} ({schedule.timezone}); stop with Ctrl-C")
    serve_schedule(workspace, "127.0.0.1", port, after=tell, meanwhile=tell_again)


@app.command()
def board(
    home: Home = Path(DEFAULT_HOME),
    address: Annotated[str | None, typer.Option(help="Address to listen on; default from settings, loopback.")] = None,
    port: Annotated[int | None, typer.Option(min=1, max=65535, help="Port; default from settings.")] = None,
) -> None:
    """Open the board in a browser."""
    workspace = open_workspace(home)
    from pipelines.workspace.settings import load_settings

    settings = load_settings(workspace.settings_path).board
    import os

    where = f"{address or settings.address}:{port or settings.port}"
    launch = [sys.executable, "-m", "dashboards.launch", str(workspace.root), where]
    sys.stdout.flush()
    os.execv(launch[0], launch)  # the server takes the place of this process: whatever stops one stops the other


app.command()(orders)
app.command("tests")(list_tests)
app.command()(sheet)
app.command()(card)
app.command()(labels)
app.command()(backup)
app.command()(restore)
app.command()(retention)
app.command()(check)
app.command()(status)
app.command()(notify)
app.command()(rebuild)
app.command()(forget)


@app.command()
def decide(
    order: Annotated[
        str | None,
        typer.Argument(
            metavar="ORDER", help="The order (see `vansnap orders`), or an item in quarantine (see `vansnap check`)."
        ),
    ] = None,
    state: Annotated[
        str | None,
        typer.Argument(
            metavar="STATE",
            help="accepted, declined, postponed, booked, done, noted (a note or photos alone) or undo (for a day); of an item discarded or taken_in.",
        ),
    ] = None,
    home: Home = Path(DEFAULT_HOME),
    person: Annotated[str | None, typer.Option(help="Who decided; default the user of this machine.")] = None,
    reason: Annotated[str, typer.Option(help="Why; needed to decline, and for an item.")] = "",
    until: Annotated[
        str | None, typer.Option(metavar="2026-04-30", help="Needed to postpone; for booked the day.")
    ] = None,
    found: Annotated[str, typer.Option(help="Cause that was found, none or other (what: --note).")] = "",
    parts: Annotated[str, typer.Option(help="Parts used.")] = "",
    hours: Annotated[float | None, typer.Option(help="Hours it took.")] = None,
    cost: Annotated[float | None, typer.Option(help="Cost of the parts.")] = None,
    note: Annotated[str, typer.Option(help="Free text; alone, or with a decision.")] = "",
    photo: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE", help="JPEG, PNG or WebP; may be given again. Its position and other data are left out."
        ),
    ] = None,
    at: Annotated[str | None, typer.Option(metavar="MOMENT", help="When, ISO 8601 with offset; default now.")] = None,
    source: Annotated[
        Path | None, typer.Option("--from", metavar="FILE.csv", help="A CSV from the workshop, one decision per row.")
    ] = None,
) -> None:
    """Record a decision or a finding on a work order, or decide on an item in quarantine."""
    workspace = open_workspace(home)
    from pipelines.commands.decide import decide_from_file, decide_one, photo_files

    if source is not None:
        if order is not None or photo:
            raise InputError("give either ORDER and STATE, with photos, or --from FILE.csv, not both")
        print_line(decide_from_file(workspace, source, person=person))
        return
    if state is None and (note or photo):
        state = NOTED
    if order is None or state is None:
        raise InputError("name ORDER and STATE, or --from FILE.csv")
    told: dict[str, object] = {
        "order_id": order,
        "state": state,
        "at": at,
        "person": person,
        "reason": reason,
        "until": until,
    }
    told |= {"found": found, "parts": parts, "hours": hours, "cost": cost, "note": note}
    told["photos"] = photo_files(photo or [])
    print_line(decide_one(workspace, told))


@app.command()
def evidence(
    van: Annotated[str, typer.Argument(metavar="VAN", help="The van, as the register names it.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE.zip", help="File to write.")],
    home: Home = Path(DEFAULT_HOME),
    first: Annotated[str, typer.Option("--from", metavar="DATE", help="First day to include; default all.")] = "",
    last: Annotated[str, typer.Option("--to", metavar="DATE", help="Last day to include.")] = "",
    quantity: Annotated[
        list[str] | None, typer.Option("--quantity", metavar="NAME", help="A trend to include; give it once per trend.")
    ] = None,
    claim: Annotated[str, typer.Option("--claim", metavar="TEXT", help="What is claimed, in your words.")] = "",
    notes: Annotated[bool, typer.Option("--notes", help="Put in notes and photos at the van's orders too.")] = False,
    field: Annotated[
        list[str] | None, typer.Option("--field", metavar="NAME=TEXT", help=f"For page 1: {', '.join(CLAIM_FIELDS)}.")
    ] = None,
) -> None:
    """Write the warranty file of one van: report, raw waveforms, readings, and the hash of everything."""
    workspace = open_workspace(home)
    from pipelines.commands.evidence import evidence_text
    from pipelines.reports.claim import claim_from

    print_line(evidence_text(workspace, van, out, claim_from(first, last, quantity, claim, field, notes=notes)))


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; every error a user can mend is one line on stderr.

    Parameters
    ----------
    arguments : list of str, optional
        Without the program's name; default those of the process.
    """
    few_heaps()
    gc.set_threshold(100_000)  # most objects are the libraries', which stay
    code = run(arguments)
    gc.freeze()  # what is left goes with the process: looking through it once more takes a fifth of a second
    sys.exit(code)


def run(arguments: list[str] | None = None) -> int:
    """The command line as a function.

    Parameters
    ----------
    arguments : list of str, optional
        Without the program's name; default those of the process.

    Returns
    -------
    int
        Exit code, as in the module's heading.
    """
    given = sys.argv[1:] if arguments is None else arguments
    from pipelines.commands.failures import STOPPED, exit_code, fail, stopped

    if not given:
        return fail("no command given; `vansnap --help` lists them", 2)
    try:
        with closed_to_others():
            code = typer.main.get_command(app).main(args=given, prog_name="vansnap", standalone_mode=False)
    except (Exception, KeyboardInterrupt) as error:
        return exit_code(error, given)
    if code == STOPPED:  # typer turns Ctrl-C into this code and says nothing
        return stopped()
    return code if isinstance(code, int) else 0


if __name__ == "__main__":
    main()
