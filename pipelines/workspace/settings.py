"""Settings of a workspace: settings.toml, checked once, every key with a default and a comment.

`SETTINGS_TEMPLATE` is what `vansnap init` writes; a test holds it equal to the defaults here.
"""

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field, ValidationError, field_validator, model_validator

from data_contracts.entries import Entry, contradiction, fault_lines, refuse, toml_document, unknown_name
from data_contracts.errors import InputError
from data_contracts.jobs import JOBS, Job
from data_contracts.units import Units
from data_contracts.wording import LANGUAGES, Language
from pipelines.workspace.cluster_settings import CLUSTER_TEMPLATE, ClusterSettings
from pipelines.workspace.notify_settings import NOTIFY_TEMPLATE, NotifySettings, not_placed
from pipelines.workspace.people_settings import PeopleSettings
from pipelines.workspace.retention_settings import RETENTION_TEMPLATE, RetentionSettings
from pipelines.workspace.testing_settings import TestingSettings

if TYPE_CHECKING:  # models take seconds to import, and `vansnap read` needs none of these
    from models.causes import likelihood
    from models.tracking import assess
    from models.work import learning, visit_plan, worth

_Share = Annotated[float, Field(ge=0, le=1)]
_NotNegative = Annotated[float, Field(ge=0)]


def _without(*retired: str) -> Callable[[Any], Any]:
    """Keys that older workspaces hold and nothing reads any more: passed over."""

    def kept(table: Any) -> Any:
        return {key: value for key, value in table.items() if key not in retired} if isinstance(table, dict) else table

    return kept


class ScheduleSettings(Entry):
    """When `vansnap serve` starts the weekly run."""

    cron: str = "0 5 * * 1"
    timezone: str = "UTC"

    @field_validator("cron")
    @classmethod
    def _five_fields(cls, value: str) -> str:
        if len(value.split()) != 5:
            raise ValueError("give five fields: minute hour day month weekday")
        return value

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError) as error:
            raise ValueError("give a zone such as UTC or Europe/Lisbon") from error
        return value


class IntakeSettings(Entry):
    """How much of the machine a run takes."""

    workers: Annotated[int, Field(ge=0, le=256)] = 0


class TrackingSettings(Entry):
    """What the watchlist may cost in false alarms, and how far ahead it looks."""

    false_alarms_per_100_van_weeks: Annotated[float, Field(gt=0, le=50)] = 0.5
    weeks_between_visits: Annotated[float, Field(gt=0, le=52)] = 1.0

    def for_models(self, *, threads: int = 1) -> "assess.TrackingSettings":
        """As tracking takes them.

        Parameters
        ----------
        threads : int
            That share the work.
        """
        from models.tracking.assess import TrackingSettings as ForModels

        return ForModels(
            false_alarms_per_100_van_weeks=self.false_alarms_per_100_van_weeks,
            visit_interval_weeks=self.weeks_between_visits,
            threads=threads,
        )


class CauseSettings(Entry):
    """When a cause is named."""

    least_probability: Annotated[float, Field(ge=0.3, le=0.99)] = 0.45

    def for_models(self) -> "likelihood.CauseSettings":
        """As the cause engine takes them."""
        from models.causes.likelihood import CauseSettings as ForModels

        return ForModels(minimum_probability=self.least_probability)


class WorkshopSettings(Entry):
    """Money, hours and risk."""

    currency: Annotated[str, Field(min_length=1, max_length=8)] = "EUR"
    hour_rate: _NotNegative = 85.0
    van_day_cost: _NotNegative = 180.0
    day_hours: Annotated[float, Field(gt=0, le=24)] = 8.0
    handling_hours: _NotNegative = 0.3
    horizon_weeks: Annotated[float, Field(gt=0, le=260)] = 26.0
    call_in_cost: _NotNegative = 120.0
    warranty_weeks: _NotNegative = 8.0
    hours_per_depot_week: _NotNegative = 16.0
    weeks_planned: Annotated[int, Field(ge=1, le=52)] = 8
    hours_of_depot: dict[str, _NotNegative] = Field(default_factory=dict)
    duty: dict[str, _NotNegative] = Field(default_factory=dict)

    _retired = model_validator(mode="before")(_without("failure_if_crossed", "failure_if_not"))

    def for_models(self, *, least_probability: float) -> "worth.RankingSettings":
        """As the ranking takes them.

        Parameters
        ----------
        least_probability : float
            Probability from which a cause is named. [1]
        """
        from models.work.worth import RankingSettings as ForModels

        return ForModels(
            hour_rate=self.hour_rate,
            van_day_cost=self.van_day_cost,
            day_hours=self.day_hours,
            horizon_weeks=self.horizon_weeks,
            call_in_cost=self.call_in_cost,
            handling_hours=self.handling_hours,
            warranty_weeks=self.warranty_weeks,
            minimum_probability=least_probability,
        )

    def for_plan(self) -> "visit_plan.PlanSettings":
        """As the capacity plan takes them."""
        from models.work.visit_plan import PlanSettings as ForModels

        return ForModels(
            weeks=self.weeks_planned,
            hours_per_week=self.hours_per_depot_week,
            hours_of_depot=self.hours_of_depot,
            handling_hours=self.handling_hours,
        )

    @property
    def visit_cost(self) -> float:
        """What a test costs: handling, and the van's time for it. [currency]"""
        return self.handling_hours * (self.hour_rate + self.van_day_cost / self.day_hours)

    def duty_of(self, van_id: str, depot: str, family: str) -> float:
        """How much worse a failure of a van is than of an ordinary one. [1]

        Parameters
        ----------
        van_id : str
            Id of the van.
        depot : str
            Name of the depot.
        family : str
            Key of the engine family.
        """
        return next((self.duty[name] for name in (van_id, depot, family) if name in self.duty), 1.0)


class JobSettings(Entry):
    """A workshop's own figures for one job, in place of the defaults of data_contracts/jobs.py."""

    hours: Annotated[float, Field(gt=0)] | None = None
    parts_cost: _NotNegative | None = None

    _retired = model_validator(mode="before")(_without("failure_cost"))


class LearningSettings(Entry):
    """How much findings weigh against the figures before them."""

    fleet_weight: Annotated[float, Field(gt=0)] = 40.0
    family_weight: Annotated[float, Field(gt=0)] = 20.0
    cost_weight: Annotated[float, Field(gt=0)] = 4.0
    trust_weight: Annotated[float, Field(gt=0)] = 10.0

    def for_models(self) -> "learning.LearningSettings":
        """As learning takes them."""
        from models.work.learning import LearningSettings as ForModels

        return ForModels(**self.model_dump())


class BoardSettings(Entry):
    """Where the board listens."""

    address: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 8520
    stale_after_days: Annotated[float, Field(gt=0)] = 10.0
    public_url: str = ""
    metrics_token: str = ""

    @field_validator("public_url")
    @classmethod
    def _an_address(cls, value: str) -> str:
        if value and not re.fullmatch(r"https?://[^\s/?#]+(/[^\s?#]*)?", value):
            raise ValueError("give the address people open the board at, such as https://vans.example.org")
        return value.rstrip("/")

    @property
    def url(self) -> str:
        """Where people open the board: the public address if one is set, else where it listens."""
        return self.public_url or f"http://{self.address}:{self.port}"


class DisplaySettings(Entry):
    """Language and units people read; what is stored and exported does not change."""

    language: Language = "en"
    units: Units = "metric"


class EvidenceSettings(Entry):
    """How warranty files are signed."""

    signing_key: str = ""
    trusted_keys: dict[str, Annotated[str, Field(pattern="^[0-9a-fA-F]{32}$")]] = Field(default_factory=dict)


class Settings(Entry):
    """All settings of one workspace."""

    schedule: ScheduleSettings = ScheduleSettings()
    intake: IntakeSettings = IntakeSettings()
    cluster: ClusterSettings = ClusterSettings()
    retention: RetentionSettings = RetentionSettings()
    tracking: TrackingSettings = TrackingSettings()
    causes: CauseSettings = CauseSettings()
    workshop: WorkshopSettings = WorkshopSettings()
    testing: TestingSettings = TestingSettings()
    jobs: dict[str, JobSettings] = Field(default_factory=dict)
    learning: LearningSettings = LearningSettings()
    board: BoardSettings = BoardSettings()
    people: PeopleSettings = PeopleSettings()
    display: DisplaySettings = DisplaySettings()
    notify: NotifySettings = NotifySettings()
    evidence: EvidenceSettings = EvidenceSettings()

    @field_validator("jobs")
    @classmethod
    def _known_causes(cls, value: dict[str, JobSettings]) -> dict[str, JobSettings]:
        unknown = [name for name in value if name not in JOBS]
        if unknown:
            remedies = {name: f"no cause has this name, {unknown_name(name, JOBS, kind='cause')}" for name in unknown}
            refuse({name: contradiction(remedy) for name, remedy in remedies.items()}, value)
        return value

    @model_validator(mode="after")
    def _told_as_let_in(self) -> Self:
        if why := not_placed(self.people, self.notify):
            refuse({"notify": contradiction(why, "not shown")}, self)
        return self

    def jobs_for_models(self) -> dict[str, Job]:
        """Jobs with the workshop's own hours and costs where the settings give them."""
        own = {name: job.model_dump(exclude_none=True) for name, job in self.jobs.items()}
        return {cause: replace(job, **own.get(cause, {})) for cause, job in JOBS.items()}


_JOB_LINES = "\n".join(
    f"# {cause} = {{ hours = {job.hours}, parts_cost = {job.parts_cost} }}" for cause, job in JOBS.items()
)

_TEMPLATE = """\
# Settings of this Vansnap workspace. Every key is optional; the values here are the defaults.

[schedule]                              # used by `vansnap serve`
cron = "0 5 * * 1"                      # minute hour day month weekday: Mondays at 05:00
timezone = "UTC"                        # zone the schedule is read in

[intake]
workers = 0                             # processes that decode recordings, threads that track; 0 is one per core

@CLUSTER@
@RETENTION@
[tracking]
false_alarms_per_100_van_weeks = 0.5    # what the watchlist may cost in false alarms, all quantities together
weeks_between_visits = 1.0              # usual time between two visits of a van

[causes]
least_probability = 0.45                # a cause is named from this probability; below it the next test comes first

[workshop]
currency = "EUR"                        # shown beside money; no conversion is done
hour_rate = 85.0                        # one workshop hour
van_day_cost = 180.0                    # one day without the van
day_hours = 8.0                         # workshop hours that cost the van a day on the road
handling_hours = 0.3                    # moving, connecting and recording, once per visit
horizon_weeks = 26.0                    # how long a job would wait otherwise: half a year to the next service
call_in_cost = 120.0                    # fetching a van outside its planned visits
warranty_weeks = 8.0                    # a warranty that ends within this time pulls a job forward
hours_per_depot_week = 16.0             # hours a depot's workshop has for these jobs each week
weeks_planned = 8                       # how many weeks the capacity plan looks ahead

[workshop.hours_of_depot]               # depots with other hours per week
# north = 24.0

[workshop.duty]                         # how much worse a failure is than for an ordinary van: by van, depot or family
# V001 = 2.0

[testing]                               # when each van is tested next
faults_per_van_year = 0.3               # faults that begin in a van of ordinary wear; common practice, no source
most_odds_unseen = 0.012                # highest odds of a serious fault that nobody has seen; higher: fewer tests
longest_weeks = 8                       # no van goes unseen longer, whatever the odds
tests_per_depot_week = 12               # vans a depot can test in a week

[testing.tests_of_depot]                # depots that can test more or fewer
# north = 20

[jobs]                                  # your own figures for a job [h, currency]; these are the defaults
@JOBS@

[learning]                              # how many findings the figure held before counts for
fleet_weight = 40.0                     # shares of causes over all families
family_weight = 20.0                    # the fleet's shares in one family
cost_weight = 4.0                       # hours and parts cost of a job
trust_weight = 10.0                     # share of right alarms over all quantities, in one quantity

[board]
address = "127.0.0.1"                   # stays on this machine; read the README before you change it
port = 8520                             # of the board
stale_after_days = 10.0                 # the board says so when the last run is older
public_url = ""                         # where people open it, for QR codes on paper; empty: address and port above
metrics_token = ""                      # where the token for /metrics is: "env:NAME" or a file of mode 0600; the README says when

[people]                                # needed before the board is open to others; see the README
login = ""                              # file with the board's OpenID client, relative to this folder; empty: no login
longest_login_hours = 12.0              # then people log in again; 720 at most
claim = "email"                         # claim of the login that says who somebody is; may be one with several values;
                                        # an e-mail counts only where email_verified is true, else choose another claim
known = []                              # [{ who = "ann@example.org", role = "viewer", depots = ["north"] }]: engineer,
                                        # workshop or viewer; no depots: all; the first that fits counts;
                                        # not_before = 2026-11-30T10:15:00Z ends that person's logins from before

[display]                               # what people read; tables and exports stay in the contract's names and units
language = "en"                         # @LANGUAGES@; on the board everybody may choose another
units = "metric"                        # "metric" or "imperial"

[evidence]
signing_key = ""                        # Ed25519 key (PEM) to sign warranty files with, relative to this folder; empty: unsigned
trusted_keys = {}                       # { "our fleet" = "32 digits `vansnap check` prints" }: only these signatures count

@NOTIFY@"""
SETTINGS_TEMPLATE = (
    _TEMPLATE.replace("@JOBS@", _JOB_LINES)
    .replace("@LANGUAGES@", " or ".join(f'"{code}"' for code in LANGUAGES))
    .replace("@CLUSTER@", CLUSTER_TEMPLATE)
    .replace("@RETENTION@", RETENTION_TEMPLATE)
    .replace("@NOTIFY@", NOTIFY_TEMPLATE)
)


def load_settings(path: Path) -> Settings:
    """Read and check settings.toml.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Settings

    Raises
    ------
    InputError
        Naming every wrong key, its value and the remedy.
    """
    try:
        document = toml_document(path.read_bytes())
    except OSError as error:
        raise InputError(
            f"{path.name} can't be read ({error.strerror}): let the account that runs Vansnap read it"
        ) from error
    except InputError as error:
        raise InputError(f"{path.name} can't be read: it {error}") from error
    try:
        return Settings.model_validate(document)
    except ValidationError as error:
        raise InputError("; ".join(fault_lines(error, Settings, document, path.name, kind="setting"))) from error
