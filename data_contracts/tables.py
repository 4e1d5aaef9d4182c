"""Every table of the warehouse and of its published copy: name, what a row is, and each column.

DuckDB DDL (`create_table_sql`) and polars schemas (`polars_schema`) are made from these, so a column
is named, typed and described in one place. The output contract fixes the published names: columns may
be added, never renamed or dropped without a migration.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import polars as pl

from data_contracts import states
from data_contracts.signals import QUANTITIES

ColumnType = Literal[
    "text",
    "integer",
    "number",
    "boolean",
    "moment",
    "day",
    "texts",
    "numbers",
    "name_reason",
    "name_mark",
    "code_probability",
    "code_severity",
    "facts",
]

_DUCKDB: dict[str, str] = {
    "text": "VARCHAR",
    "integer": "BIGINT",
    "number": "DOUBLE",
    "boolean": "BOOLEAN",
    "moment": "TIMESTAMPTZ",
    "day": "DATE",
    "texts": "VARCHAR[]",
    "numbers": "FLOAT[]",
    "name_reason": "STRUCT(name VARCHAR, reason VARCHAR)[]",
    "name_mark": "STRUCT(name VARCHAR, mark VARCHAR)[]",
    "code_probability": "STRUCT(code VARCHAR, probability DOUBLE)[]",
    "code_severity": "STRUCT(code VARCHAR, severity DOUBLE)[]",
    "facts": "STRUCT(code VARCHAR, quantity VARCHAR, numbers MAP(VARCHAR, DOUBLE), words MAP(VARCHAR, VARCHAR))[]",
}
FACTS_TYPE = pl.List(
    pl.Struct(
        {
            "code": pl.String(),
            "quantity": pl.String(),
            "numbers": pl.Map(pl.String(), pl.Float64()),
            "words": pl.Map(pl.String(), pl.String()),
        }
    )
)
"""Facts of data_contracts/facts/vocabulary.py in a frame: `Fact.row` makes an element."""

_POLARS: dict[str, pl.DataType] = {
    "text": pl.String(),
    "integer": pl.Int64(),
    "number": pl.Float64(),
    "boolean": pl.Boolean(),
    "moment": pl.Datetime("us", "UTC"),
    "day": pl.Date(),
    "texts": pl.List(pl.String()),
    "numbers": pl.List(pl.Float32()),
    "name_reason": pl.List(pl.Struct({"name": pl.String(), "reason": pl.String()})),
    "name_mark": pl.List(pl.Struct({"name": pl.String(), "mark": pl.String()})),
    "code_probability": pl.List(pl.Struct({"code": pl.String(), "probability": pl.Float64()})),
    "code_severity": pl.List(pl.Struct({"code": pl.String(), "severity": pl.Float64()})),
    "facts": FACTS_TYPE,
}


@dataclass(frozen=True)
class Column:
    """One column.

    Attributes
    ----------
    name : str
        Name in DuckDB.
    type : ColumnType
        Type word.
    description : str
        What it holds, with its unit.
    required : bool
        It may not be null.
    words : tuple of str
        The only words it may hold; empty where any will do.
    unless : str
        Column that, where it is set, lets any other word stand.
    """

    name: str
    type: ColumnType
    description: str
    required: bool = False
    words: tuple[str, ...] = ()
    unless: str = ""


@dataclass(frozen=True)
class Table:
    """One table.

    Attributes
    ----------
    name : str
        Name in DuckDB.
    row : str
        What one row is.
    key : tuple of str
        Primary key; empty for none.
    columns : tuple of Column
        In order.
    published : bool
        Copied to the read side.
    indexed : bool
        The warehouse keeps an index of its key, whole in memory; a table that is always made whole needs none.
    """

    name: str
    row: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    published: bool = False
    indexed: bool = True


def create_table_sql(table: Table) -> str:
    """DDL that creates the table where it does not exist.

    Parameters
    ----------
    table : Table
        Its contract.

    Returns
    -------
    str
    """
    lines = [f'    "{c.name}" {_DUCKDB[c.type]}{" NOT NULL" if c.required else ""}{_check(c)}' for c in table.columns]
    if table.key and table.indexed:
        lines.append("    PRIMARY KEY (" + ", ".join(f'"{k}"' for k in table.key) + ")")
    return f'CREATE TABLE IF NOT EXISTS "{table.name}" (\n' + ",\n".join(lines) + "\n)"


def _check(column: Column) -> str:
    """CHECK rather than ENUM: what is read of the column stays plain text, in any program."""
    if not column.words:
        return ""
    words = ", ".join(f"'{word}'" for word in column.words)
    return f' CHECK ("{column.name}" IN ({words})' + (f' OR "{column.unless}" IS NOT NULL)' if column.unless else ")")


def polars_schema(table: Table) -> dict[str, pl.DataType]:
    """Column names and polars types of a table, in order.

    Parameters
    ----------
    table : Table
        Its contract.

    Returns
    -------
    dict of str to polars.DataType
    """
    return {c.name: _POLARS[c.type] for c in table.columns}


def rows_of(table: Table, rows: Sequence[Mapping[str, Any]]) -> pl.DataFrame:
    """Rows of a table as a frame, by way of Arrow: polars itself takes some thirty times as long to make lists and facts of dicts.

    Parameters
    ----------
    table : Table
        Its contract.
    rows : sequence of mapping
        By column; what is not there is null.

    Returns
    -------
    polars.DataFrame
    """
    import pyarrow as pa  # processes that only read have no use for it

    empty = pl.DataFrame(schema=polars_schema(table))
    return empty if not rows else pl.DataFrame(pa.Table.from_pylist(rows, schema=empty.to_arrow().schema))


def duckdb_type(column: Column) -> str:
    """DuckDB type of a column.

    Parameters
    ----------
    column : Column
        Its contract.

    Returns
    -------
    str
    """
    return _DUCKDB[column.type]


def _reading_columns() -> tuple[Column, ...]:
    columns: list[Column] = []
    for quantity in QUANTITIES.values():
        unit = f" [{quantity.unit}]"
        columns.append(Column(quantity.name, "number", quantity.description.en + unit))
        columns.append(Column(quantity.name + "_u", "number", f"standard uncertainty of {quantity.name}{unit}"))
    return tuple(columns)


_MEASURED = (
    Column("odometer_km", "number", "odometer [km]"),
    Column("coolant_c", "number", "engine coolant [°C]"),
    Column("intake_air_c", "number", "air at the intake duct [°C]"),
    Column("barometer_kpa", "number", "absolute station pressure [kPa]"),
    Column("humidity_pct", "number", "relative humidity [%]"),
    Column("altitude_m", "number", "height above sea level [m]"),
    Column("closed_loop", "boolean", "closed loop as the van reports it"),
)
_REPORTED = (
    Column("fault_codes", "texts", "SAE J2012 codes"),
    Column("fuel", "text", "fuel grade"),
)
_TAKEN_WITH = (
    Column("recorder_serial", "text", "which instrument"),
    Column("ecu_software", "text", "engine-control software id"),
    Column("note", "text", "free text"),
)

CAPTURES = Table(
    "captures",
    "one snap of one van, accepted or graded; a recording without a snap is one capture",
    ("capture_id",),
    (
        Column("capture_id", "text", "hash of waveform, van, time and snap number", True),
        Column("waveform_id", "text", "SHA-256 of the canonical samples", True),
        Column("snap", "integer", "number of the snap within the recording, from 1", True),
        Column("delivery", "text", "the delivery that brought it", True),
        Column("row", "integer", "row of its manifest, from 1", True),
        Column("read_id", "text", "hash of samples, conditions, family and method it was read with", True),
        Column("delivered_visit", "text", "visit as delivered"),
        Column("file", "text", "waveform file within the delivery", True),
        Column("van_id", "text", "van", True),
        Column("family", "text", "engine family of the van", True),
        Column("depot", "text", "depot of the van", True),
        Column("captured_at", "moment", "start of the recording", True),
        Column("week", "text", "ISO week of captured_at in UTC", True),
        Column("visit", "text", "visit: as delivered, or made from captures less than 2 h apart", True),
        Column("representative", "boolean", "the repeat that stands for its visit"),
        Column("grade", "text", "good, usable or repeat", True, words=states.GRADES),
        Column("grade_reasons", "texts", "why it is not good: codes of data_contracts/reasons.py", True),
        Column(
            "held",
            "text",
            "low_throughout: sent back for a low main peak alone, as every capture of its visit was, so it is evidence of the van "
            "and counts; null: the grade stands",
            words=states.HELD,
        ),
        Column("rate_hz", "number", "mean sampling rate [Hz]"),
        Column("length_s", "number", "length of the recording [s]"),
        *_MEASURED,
        *_REPORTED,
        Column("recorder", "text", "recorder profile"),
        Column("recorder_offset_u_v", "number", "standard uncertainty of the recorder's zero, in all its captures [V]"),
        Column("recorder_gain_u", "number", "standard uncertainty of the recorder's gain, in all its captures [1]"),
        *_TAKEN_WITH,
    ),
    published=True,
)

READINGS = Table(
    "readings",
    "one capture: every quantity with its standard uncertainty",
    ("capture_id",),
    (
        Column("capture_id", "text", "capture", True),
        *_reading_columns(),
        Column("unread", "name_reason", "quantities that are null, with the reason's code", True),
        Column("marked", "name_mark", "quantities with a mark, e.g. lower_bound", True),
        Column("method", "text", "version of the reading that made the row", True),
    ),
    published=True,
)

SHAPES = Table(
    "shapes",
    "one capture: both traces on the fixed grid of models/reading/aligned_traces.py, aligned at opening and release",
    ("capture_id",),
    (
        Column("capture_id", "text", "capture", True),
        Column("airflow", "numbers", "air mass flow on the grid; NaN where nothing was recorded [g/s]"),
        Column("lambda_signal", "numbers", "1/lambda (narrowband: volts) on the grid; NaN where nothing was recorded"),
    ),
    published=True,
)

TRENDS = Table(
    "trends",
    "one van, ISO week and quantity; a week with no visit has no row",
    ("van_id", "week", "quantity"),
    (
        Column("van_id", "text", "van", True),
        Column("week", "text", "ISO week (UTC)", True),
        Column("quantity", "text", "a tracked quantity of data_contracts/signals.py", True),
        Column("value", "number", "value of the week's last visit, corrected to reference conditions where it is"),
        Column(
            "value_u", "number", "standard uncertainty of the value; it covers the scatter of repeats and of visits"
        ),
        Column(
            "trace_u",
            "number",
            "standard uncertainty of the trace: the median of the visit's snaps, as `readings` has it",
        ),
        Column("repeat_u", "number", "standard uncertainty from repeat to repeat: of one snap as one of many"),
        Column("repeats", "integer", "snaps of the visit that the value was read from"),
        Column(
            "repeat_from",
            "text",
            "what repeat_u rests on: this visit's repeats, the van's so far, or those of its family",
            words=states.REPEAT_SOURCES,
        ),
        Column(
            "level",
            "number",
            "what the van reads now, at reference conditions: the estimate from its visits that every text states",
        ),
        Column("level_u", "number", "standard uncertainty of the level"),
        Column("corrected", "boolean", "the value is at reference conditions"),
        Column("baseline", "number", "what the van itself is expected to read"),
        Column("baseline_u", "number", "standard uncertainty of the baseline"),
        Column("change", "number", "level minus baseline"),
        Column(
            "shared_shift",
            "number",
            "part of the value that other vans of its recorder or week share: the level and all that is judged are without it",
        ),
        Column("expected_low", "number", "lower end of the 95 % range by which the value was judged"),
        Column("expected_high", "number", "its upper end"),
        Column("peer_baseline", "number", "what its family is expected to read"),
        Column("z", "number", "standardised residual against the baseline"),
        Column("ewma", "number", "exponentially weighted moving average of z"),
        Column("ewma_limit", "number", "its limit, two-sided"),
        Column("cusum_high", "number", "upper cumulative sum of z"),
        Column("cusum_low", "number", "lower cumulative sum of z"),
        Column("slope_per_week", "number", "drift per week; negative is falling"),
        Column("slope_low", "number", "lower end of its 95 % interval"),
        Column("slope_high", "number", "upper end of its 95 % interval"),
        Column(
            "movement",
            "text",
            "how what is in alarm moves: drifting (on, away from the baseline), returning, stepped, rested or unclear",
            words=states.MOVEMENTS,
        ),
        Column("limit_low", "number", "the family's lower limit as it applies to what is read; null for none"),
        Column("limit_high", "number", "its upper limit"),
        Column(
            "limit_state",
            "text",
            "crossed, ahead (weeks_to_limit says when) or not_in_sight; null no limit known",
            words=states.LIMIT_STATES,
        ),
        Column(
            "segment_since", "text", "ISO week of the first visit after the baseline last started again; null: never"
        ),
        Column(
            "after_repair",
            "text",
            "fresh: the baseline started again after a repair; stayed: a repair brought nothing back; awaited: repaired since "
            "this visit and not recorded again; null: no repair",
            words=states.AFTER_REPAIR,
        ),
        Column("weeks_to_limit_low", "number", "10 % quantile of the weeks to the limit, never among what may come"),
        Column(
            "weeks_to_limit",
            "number",
            "median weeks to the limit; null no limit known, infinity no crossing likelier than not, 0 crossed",
        ),
        Column("weeks_to_limit_high", "number", "90 % quantile of the weeks to the limit; infinity: it may never come"),
        Column(
            "cross_within_4",
            "number",
            "probability of being beyond a limit within 4 weeks, the movement ending, or one yet to begin, included",
        ),
        Column(
            "cross_within_8",
            "number",
            "probability of being beyond a limit within 8 weeks, the movement ending, or one yet to begin, included",
        ),
        Column(
            "cross_within_13",
            "number",
            "probability of being beyond a limit within 13 weeks, the movement ending, or one yet to begin, included",
        ),
        Column("alarm", "boolean", "outside now, or its repeats disagree; true every week it lasts", True),
        Column("alarm_since", "text", "ISO week the standing alarm began"),
        Column(
            "onset_week",
            "text",
            "ISO week the movement away from the own baseline began, median, as of this week; null without one",
        ),
        Column("onset_low", "text", "10 % quantile of that week"),
        Column("onset_high", "text", "90 % quantile of that week"),
        Column("unsteady", "boolean", "the snaps of one visit disagree more than is usual: part of the alarm"),
        Column(
            "air_from",
            "text",
            "where pressure and temperature are from: measured, depot_day, depot_week, fleet_week, unmeasured",
            words=states.AIR_SOURCES,
        ),
    ),
    published=True,
    indexed=False,
)

WATCHLIST = Table(
    "watchlist",
    "one van on the week's list",
    ("week", "van_id"),
    (
        Column("week", "text", "ISO week (UTC)", True),
        Column("rank", "integer", "1 is the most urgent", True),
        Column("van_id", "text", "van", True),
        Column("family", "text", "engine family", True),
        Column("depot", "text", "depot", True),
        Column("urgency", "text", "now, plan or watch", True, words=states.URGENCIES),
        Column("anomaly_p", "number", "calibrated p-value of the van's week"),
        Column("anomaly_score", "number", "higher is more abnormal"),
        Column("leading_cause", "text", "likeliest code, or not_separable", True),
        Column("leading_cause_probability", "number", "its probability"),
        Column("causes", "code_probability", "probability of every code and of none; sums to one", True),
        Column("weeks_to_limit", "number", "fewest median weeks to a limit over its quantities"),
        Column("reasons", "texts", "plain sentences, said from reason_facts", True),
        Column("reason_facts", "facts", "what the reasons are made of: see data_contracts/facts/vocabulary.py"),
        Column("new", "boolean", "not on the list of the week before", True),
    ),
    published=True,
)

NOTICES = Table(
    "notices",
    "one remark of a week that concerns no single van, such as a recorder that moved all its vans",
    ("week", "number"),
    (
        Column("week", "text", "ISO week (UTC)", True),
        Column("number", "integer", "order within the week, from 0", True),
        Column("text", "text", "plain sentence, said from text_facts", True),
        Column("text_facts", "facts", "what it is made of"),
        Column("depot", "text", "depot it is about"),
    ),
    published=True,
)

WORK_ORDERS = Table(
    "work_orders",
    "one order",
    ("order_id",),
    (
        Column("order_id", "text", "order", True),
        Column("week", "text", "ISO week it was proposed in", True),
        Column("rank", "integer", "1 is the job worth most, within its week", True),
        Column("van_id", "text", "van", True),
        Column("family", "text", "engine family", True),
        Column("depot", "text", "depot", True),
        Column("urgency", "text", "now, plan or watch", True, words=states.URGENCIES),
        Column("cause", "text", "leading cause, or not_separable", True),
        Column("action", "text", "what to do first, said from action_facts", True),
        Column("action_facts", "facts", "what the action is made of"),
        Column("reason", "text", "why, in at most two sentences, said from reason_facts", True),
        Column("reason_facts", "facts", "what the reason is made of"),
        Column("hours", "number", "estimated workshop hours [h]"),
        Column(
            "expected_cost_avoided",
            "number",
            "expected cost avoided by doing it now rather than at the horizon: the sum of the next seven [currency]",
        ),
        Column(
            "failure_avoided",
            "number",
            "probability × cost of what may come while it waits, over what the order mends [currency]",
        ),
        Column("running_avoided", "number", "fuel and power that waiting costs week by week [currency]"),
        Column("put_off", "number", "work and parts that waiting would not save but put off [currency]"),
        Column("warranty_paid", "number", "work and parts the warranty pays while it lasts [currency]"),
        Column("work_cost", "number", "workshop time; negative or zero [currency]"),
        Column("parts_cost", "number", "parts; negative or zero [currency]"),
        Column("van_time_cost", "number", "van off the road; negative or zero [currency]"),
        Column("failure_probability", "number", "probability of a failure before it would otherwise be done [1]"),
        Column(
            "severities",
            "code_severity",
            "severity of every cause, given that it is there, as of the last run before somebody decided [1]",
        ),
        Column("duty", "number", "how much worse a failure of this van is than of an ordinary one [1]"),
        Column("worth", "text", "the worth in words, or why it is better to wait, said from worth_facts"),
        Column("worth_facts", "facts", "what the words of the worth are made of"),
        Column(
            "warranty",
            "text",
            "what stands of the van's warranty, as of the last run with the order open, said from warranty_facts",
        ),
        Column("warranty_facts", "facts", "what that is made of"),
        Column("safety", "boolean", "failing can endanger people: goes first"),
        Column(
            "flagged_by",
            "texts",
            "quantities whose alarm brought it, unsteady_ before one whose repeats disagree; anomaly where none stood out alone, empty where a "
            "fault code or the settle brought it",
        ),
        Column(
            "state",
            "text",
            "proposed, accepted, declined, postponed, booked, done, proven or not_proven",
            True,
            words=states.ORDER_STATES,
        ),
        Column(
            "proof",
            "text",
            "what the visits after the repair showed: proven, not_proven, made_worse, or cant_tell where six weeks of them could not; null until then",
            words=states.PROOFS,
        ),
        Column("due_by", "day", "latest sensible day: moves only earlier, or when somebody postpones"),
        Column("until", "day", "postponed until, or booked for"),
        Column("plan_week", "text", "ISO week the capacity plan gives it; null where it is left out or done"),
        Column("plan_note", "text", "why that week, or why it is left out, said from plan_facts"),
        Column("plan_facts", "facts", "what the note is made of"),
        Column("found", "text", "cause that was found, none or other; of the last completion"),
        Column("hours_taken", "number", "hours it took; of the last completion [h]"),
        Column("parts_paid", "number", "cost of the parts; of the last completion [currency]"),
    ),
    published=True,
)

TEST_PLAN = Table(
    "test_plan",
    "one van of the register and its next test, as of a week; the plan begins the week after",
    ("week", "van_id"),
    (
        Column("week", "text", "ISO week of the list (UTC)", True),
        Column("van_id", "text", "van", True),
        Column("family", "text", "engine family", True),
        Column("depot", "text", "depot", True),
        Column("rank", "integer", "1 goes first in its depot; vans of the coming week come before the others", True),
        Column("last_seen", "day", "day of the last usable recording; null for a van never seen"),
        Column("visits", "integer", "days with a usable recording", True),
        Column(
            "next_test", "day", "day by which it should be tested, before the plan begins where it is overdue", True
        ),
        Column("overdue", "boolean", "that day has passed when the plan begins", True),
        Column(
            "test_week",
            "text",
            "ISO week in which its depot has room for the test; null where it has none in the weeks planned",
        ),
        Column("chosen", "boolean", "to be tested in the plan's first week", True),
        Column("interval_weeks", "integer", "weeks from the last test to the next", True),
        Column("cost_weeks", "integer", "weeks after which another week unseen costs more than testing", True),
        Column("odds_unseen", "number", "odds of a serious fault that nobody has seen when the plan begins [1]", True),
        Column("unseen_until", "day", "day until which it may go unseen; null for a van never seen"),
        Column("odds_then", "number", "odds of a serious fault that nobody has seen on that day [1]"),
        Column(
            "loss_per_week", "number", "expected cost of a week more unseen, when the plan begins [currency/week]", True
        ),
        Column("safety", "boolean", "a dangerous cause is likelier than not: goes first", True),
        Column("month_cost", "number", "visits of a month at this interval [currency]", True),
        Column(
            "month_saving",
            "number",
            "what a month at this interval saves against faults that run until the horizon [currency]",
            True,
        ),
        Column("reason", "text", "why then, said from reason_facts", True),
        Column("reason_facts", "facts", "what the reason is made of"),
    ),
    published=True,
)

PART_LIVES = Table(
    "part_lives",
    "one part and unit of life, as of a week: how long it lasts until it is worked on or replaced, by the work on record",
    ("week", "part", "unit"),
    (
        Column("week", "text", "ISO week", True),
        Column("part", "text", "kind of work of data_contracts/work_done, or of the register", True),
        Column("unit", "text", "what its life is counted in: months in service, or km", True, words=states.LIFE_UNITS),
        Column("since", "day", "first day on record of any work", True),
        Column("removals", "integer", "lives that ended: parts worked on or replaced", True),
        Column("running", "integer", "lives that go on", True),
        Column("early", "integer", "of all lives, those that began before work was on record", True),
        Column("half", "number", "half last as long, by Kaplan and Meier; null: few removals, or more than half go on"),
        Column("half_low", "number", "lower end of its 95 % interval"),
        Column("half_high", "number", "upper end; null: open"),
        Column(
            "half_from",
            "number",
            "that half is one of those that outlast this: earlier ends are left out, too few were observed; null: of all",
        ),
        Column("weibull_half", "number", "half last as long, by a Weibull distribution; null below few removals"),
        Column("weibull_half_low", "number", "lower end of its 95 % interval"),
        Column("weibull_half_high", "number", "upper end; null: open"),
        Column("shape", "number", "shape of that distribution: above 1 the part wears [1]"),
        Column("shape_low", "number", "lower end of its 95 % interval [1]"),
        Column("shape_high", "number", "upper end [1]"),
    ),
    published=True,
)


def _compared(of: str) -> Table:
    return Table(
        f"{'depots' if of == 'depot' else 'families'}_compared",
        f"one {of} and measure, as of a week: how often, small numbers shrunk towards the fleet",
        ("week", of, "measure"),
        (
            Column("week", "text", "ISO week", True),
            Column(of, "text", of, True),
            Column(
                "measure",
                "text",
                "listed: times a van came onto the list; confirmed: faults that workshops found; false_alarms: orders on "
                "which they found nothing",
                True,
                words=states.COMPARED_MEASURES,
            ),
            Column("vans", "integer", "its vans that were seen", True),
            Column("months", "number", "van-months from the first to the last visit, of the last year [month]", True),
            Column("count", "integer", "how many there were", True),
            Column("raw", "number", "count over months [1/month]", True),
            Column(
                "rate", "number", "the same, shrunk towards the fleet; null: nothing counted in the fleet [1/month]"
            ),
            Column("rate_low", "number", "lower end of its 95 % interval [1/month]"),
            Column("rate_high", "number", "upper end [1/month]"),
            Column("fleet", "number", "rate of the fleet: all counts over all months [1/month]"),
            Column("differs", "text", "above or below the fleet beyond chance; null: not", words=states.SIDES),
        ),
        published=True,
    )


DEPOTS_COMPARED, FAMILIES_COMPARED = _compared("depot"), _compared("family")

ORDER_EVENTS = Table(
    "order_events",
    "one change of an order: append-only, so that a replay gives every order's state",
    ("event_id",),
    (
        Column("event_id", "text", "hash of everything it says", True),
        Column("order_id", "text", "order", True),
        Column("state", "text", "state the order goes to, or noted", True, words=states.EVENT_STATES, unless="refused"),
        Column("at", "moment", "when", True),
        Column("person", "text", "who", True),
        Column("reason", "text", "why"),
        Column("until", "day", "postponed until"),
        Column("found", "text", "cause that was found, none, or other: then the note says what"),
        Column("parts", "text", "parts used"),
        Column("hours", "number", "hours it took, test and repair together [h]"),
        Column("cost", "number", "cost of the parts [currency of the workspace]"),
        Column("note", "text", "free text; of a proof, said from note_facts"),
        Column("note_facts", "facts", "what the note of a proof is made of"),
        Column("refused", "text", "why it does not count (did not fit, taken back, takes back); null where it counts"),
        Column("undoes", "text", "decision that it takes back"),
        Column("due", "day", "day the order was due before it was postponed"),
        Column("photos", "texts", "photos with it: SHA-256 of each, its name under decisions/photos/"),
    ),
    published=True,
)

ITEM_EVENTS = Table(
    "item_events",
    "one decision on an item in quarantine: append-only",
    ("event_id",),
    (
        Column("event_id", "text", "hash of everything it says", True),
        Column("item_id", "text", "item", True),
        Column(
            "state",
            "text",
            "discarded, or taken_in to let a contradicting claim win",
            True,
            words=states.ITEM_DECISIONS,
            unless="refused",
        ),
        Column("at", "moment", "when", True),
        Column("person", "text", "who", True),
        Column("reason", "text", "why", True),
        Column("refused", "text", "why it changes nothing; null where it counts"),
    ),
    published=True,
)

LEARNING = Table(
    "learning",
    "one figure that findings of the workshops moved in a week's run",
    ("week", "kind", "family", "subject"),
    (
        Column("week", "text", "ISO week of the run that moved it", True),
        Column(
            "kind", "text", "cause_share, job_hours, job_parts_cost or alarm_trust", True, words=states.LESSON_KINDS
        ),
        Column("family", "text", "engine family; empty where it holds for all", True),
        Column("subject", "text", "cause, or none; for alarm_trust as flagged_by of the orders", True),
        Column("what", "text", "what moved, said from what_facts", True),
        Column("what_facts", "facts", "what it is made of"),
        Column("before", "number", "in the run of the week before; the default in the first", True),
        Column("after", "number", "in this run", True),
        Column("unit", "text", "1 (a share), h or currency", True),
        Column("default", "number", "before any finding", True),
        Column("findings", "integer", "findings it rests on", True),
        Column("why", "text", "plain sentence, said from why_facts", True),
        Column("why_facts", "facts", "what it is made of"),
    ),
    published=True,
)

PROOF_STATISTICS = Table(
    "proof_statistics",
    "one action or part, and how often a repair with it was proven",
    ("kind", "name"),
    (
        Column("kind", "text", "action or part", True, words=states.PROOF_KINDS),
        Column("name", "text", "cause whose job was done, or the part as the workshop wrote it", True),
        Column("proven", "integer", "orders proven", True),
        Column("not_proven", "integer", "orders after which what should come back stayed away", True),
        Column("made_worse", "integer", "orders after which something moved further away", True),
        Column("cant_tell", "integer", "orders of which six weeks of visits could not tell; not among those judged"),
        Column("waiting", "integer", "orders done whose van was not recorded again yet", True),
        Column("share_proven", "number", "share proven of those judged [1]"),
        Column("share_low", "number", "lower end of its 95 % interval (Wilson) [1]"),
        Column("share_high", "number", "upper end of its 95 % interval (Wilson) [1]"),
        Column("mean_hours", "number", "mean of the hours taken [h]"),
        Column("mean_parts_paid", "number", "mean cost of the parts [currency]"),
    ),
    published=True,
)

QUARANTINE = Table(
    "quarantine",
    "one refused item",
    ("item_id",),
    (
        Column("item_id", "text", "hash of delivery, file, row and rule", True),
        Column("delivery", "text", "delivery, or register", True),
        Column("file", "text", "file within it"),
        Column("row", "integer", "row of the manifest, from 1; null for a whole file or delivery"),
        Column("rule", "text", "code of data_contracts/reasons.py", True),
        Column("reason", "text", "what was wrong, the value, and what to do", True),
        Column("first_seen", "moment", "when it was first refused", True),
        Column("state", "text", "waiting, taken_in or discarded", True, words=states.ITEM_STATES),
        Column("rows", "integer", "manifest rows it stands for", True),
    ),
    published=True,
)

DELIVERIES = Table(
    "deliveries",
    "one delivery: its row account closes (rows = held + superseded + duplicates + quarantined)",
    ("delivery",),
    (
        Column("delivery", "text", "name in the inbox", True),
        Column("content_id", "text", "SHA-256 over its manifest and file list", True),
        Column("source", "text", "name of its folder or archive as it lay in the inbox", True),
        Column(
            "place",
            "text",
            "where its files are: inbox (about to be moved), quarantine or delivered",
            True,
            words=states.PLACES,
        ),
        Column("taken_in_at", "moment", "when it was taken in", True),
        Column("written_at", "moment", "when its manifest was written, as the file says; never after it was taken in"),
        Column("rows", "integer", "rows of its manifest", True),
        Column("held", "integer", "rows that are held recordings", True),
        Column("superseded", "integer", "rows that later rows corrected", True),
        Column("duplicates", "integer", "rows delivered before, unchanged", True),
        Column("quarantined", "integer", "rows that wait or were discarded", True),
    ),
    published=True,
)

VANS = Table(
    "vans",
    "one van of the register",
    ("van_id",),
    (
        Column("van_id", "text", "van", True),
        Column("family", "text", "engine family", True),
        Column("depot", "text", "depot", True),
        Column("in_service_on", "day", "first day in service"),
        Column("warranty_until", "day", "last day of warranty"),
        Column("odometer_km", "number", "odometer at registration [km]"),
        Column("lambda_banks", "integer", "lambda banks, where it differs from the family"),
        Column("note", "text", "free text"),
        Column("vin", "text", "vehicle identification number"),
        Column("plate", "text", "number plate"),
        Column("warranty_until_km", "number", "odometer at the end of warranty; empty: warranty_km of its family [km]"),
        Column("duty", "text", "what it is used for"),
        Column("fuel_station", "text", "where it is usually filled"),
        Column("workshop", "text", "workshop that looks after it"),
        Column("batch", "text", "batch it was built or bought in"),
        Column("fuel", "text", "fuel it usually runs on, such as E5, E10 or LPG"),
        Column("part_numbers", "text", "part numbers of this van, each `name=number`, separated by `;`"),
    ),
    published=True,
)

WARRANTIES = Table(
    "warranties",
    "the warranty of one van of the register, as of the last run",
    ("van_id",),
    (
        Column("van_id", "text", "van", True),
        Column("until", "day", "last day by date"),
        Column("until_km", "number", "odometer at its end [km]"),
        Column("odometer_km", "number", "last odometer reading; null: none, or no kilometres in the register [km]"),
        Column("read_on", "day", "day of that reading"),
        Column("by_date", "boolean", "stands by date; null: no date in the register"),
        Column("by_km", "boolean", "stands by that reading; null: no kilometres in the register, or none read"),
        Column(
            "covered", "boolean", "stands by all that is known, the kilometres driven since the reading included", True
        ),
        Column("runs_out", "day", "when its kilometres run out, at the van's own mileage of the last half year"),
        Column("runs_out_low", "day", "early end of the interval that holds that day four times in five"),
        Column("runs_out_high", "day", "late end; ten years after the reading at most"),
        Column("warranty", "text", "what stands of it, said from warranty_facts"),
        Column("warranty_facts", "facts", "what that is made of"),
    ),
    published=True,
)

REPAIRS = Table(
    "repairs",
    "one repair of the register or recorded on an order",
    ("repair_id",),
    (
        Column("repair_id", "text", "hash of van, time and work", True),
        Column("van_id", "text", "van", True),
        Column("done_at", "moment", "when it was done", True),
        Column("work", "text", "what was done", True),
        Column("parts", "text", "parts"),
        Column("work_order", "text", "order it answers"),
        Column("note", "text", "free text"),
        Column("works", "texts", "kinds of work recognised in its words and part numbers, or the cause found"),
        Column("touches", "texts", "quantities it may have moved, of all that are tracked"),
        Column("brings_back", "texts", "those of them that it should bring back: its proof rests on them"),
        Column("unknown", "texts", "parts of its text that name nothing known"),
    ),
    published=True,
)
READ_FROM_WORDS = ("works", "touches", "brings_back", "unknown")
"""Columns of `repairs` that nobody writes: they are read from its words."""

AWAY = Table(
    "away",
    "days on which no workshop can have a van",
    (),
    (
        Column("van_id", "text", "van", True),
        Column("first_day", "day", "first day away", True),
        Column("last_day", "day", "last day away", True),
        Column("reason", "text", "free text"),
    ),
)
"""Columns of register/away.csv; kept in no database."""

PART_PREFIX = "part_"
"""Start of a column of vans.csv that holds the number of one part."""
REGISTER_COLUMNS: dict[str, tuple[Column, ...]] = {
    "vans.csv": tuple(c for c in VANS.columns if c.name != "part_numbers"),
    "repairs.csv": tuple(c for c in REPAIRS.columns if c.name not in ("repair_id", *READ_FROM_WORDS)),
    "away.csv": AWAY.columns,
}
"""Tables of the register that people write."""

RUNS = Table(
    "runs",
    "one weekly run that published",
    ("run_id",),
    (
        Column("run_id", "text", "run", True),
        Column("week", "text", "week it stands for", True),
        Column("finished_at", "moment", "when it published", True),
        Column("vansnap", "text", "version of the software", True),
        Column("data_id", "text", "hash over all captures and settings it used", True),
    ),
    published=True,
)

_CONDITIONS = (
    Column("visit", "text", "visit as delivered"),
    *_MEASURED,
    Column("trim_idle_pct", "number", "short plus long fuel trim settled at idle; + adds fuel [%]"),
    Column("trim_2500_pct", "number", "short plus long fuel trim settled at 2,500 rpm; + adds fuel [%]"),
    *_REPORTED,
    Column("recorder", "text", "recorder profile", True),
    *_TAKEN_WITH,
)

MANIFEST_ROWS = Table(
    "manifest_rows",
    "one row of a delivered manifest and what became of it: the ledger behind the row account",
    ("delivery", "row"),
    (
        Column("delivery", "text", "delivery", True),
        Column("row", "integer", "row of the manifest, from 1", True),
        Column("state", "text", "held, superseded, duplicate or quarantined", True, words=states.ROW_STATES),
        Column("waveform_id", "text", "SHA-256 of the canonical samples; null while quarantined"),
    ),
)

REGISTER_KEPT = Table(
    "register_kept",
    "one family of the register as it last was sound: it stands while the register's own can't be used",
    ("family",),
    (
        Column("family", "text", "key of families.toml", True),
        Column("entry", "text", "its table, as JSON", True),
    ),
)

RECORDINGS = Table(
    "recordings",
    "one manifest row that is held, or was until a corrected row superseded it",
    ("delivery", "row"),
    (
        Column("delivery", "text", "the delivery that brought it", True),
        Column("row", "integer", "row of its manifest, from 1", True),
        Column("state", "text", "held or superseded", True, words=states.RECORDING_STATES),
        Column("waveform_id", "text", "SHA-256 of the canonical samples", True),
        Column("van_id", "text", "van", True),
        Column("captured_at", "moment", "start of the recording", True),
        Column("file", "text", "waveform file within the delivery", True),
        *_CONDITIONS,
        Column("conditions_id", "text", "hash of the conditions: another one for the same recording supersedes", True),
        Column("superseded_by", "text", "delivery and row that corrected it"),
    ),
)

WAVEFORMS = Table(
    "waveforms",
    "one stored waveform and where its samples are",
    ("waveform_id",),
    (
        Column("waveform_id", "text", "SHA-256 of the canonical samples", True),
        Column("chunk", "text", "Parquet file under waveforms/; empty once its samples are removed", True),
        Column("row_group", "integer", "row group within the chunk, from 0", True),
        Column("samples", "integer", "count of samples", True),
        Column("length_s", "number", "time from first to last sample [s]", True),
        Column("rate_hz", "number", "mean sampling rate [Hz]", True),
        Column("channels", "texts", "canonical channels", True),
        Column("removed_on", "day", "when its samples went by the retention setting; null while they are kept"),
    ),
    published=True,
)

TABLES: dict[str, Table] = {
    t.name: t
    for t in (
        CAPTURES,
        READINGS,
        SHAPES,
        TRENDS,
        WATCHLIST,
        NOTICES,
        WORK_ORDERS,
        TEST_PLAN,
        PART_LIVES,
        DEPOTS_COMPARED,
        FAMILIES_COMPARED,
        ORDER_EVENTS,
        LEARNING,
        PROOF_STATISTICS,
        ITEM_EVENTS,
        QUARANTINE,
        DELIVERIES,
        VANS,
        WARRANTIES,
        REPAIRS,
        RUNS,
        MANIFEST_ROWS,
        REGISTER_KEPT,
        RECORDINGS,
        WAVEFORMS,
    )
}
