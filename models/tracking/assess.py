"""Tracking, from readings to the state of every van: `assess` calls the steps in order.

Captures become visits. Visits are brought to reference conditions and divided by their scatter. Every quantity is
charted against the van's own baseline, and so is the scatter of its repeats; alarms, forecasts and the anomaly follow;
the state of a van sums them up. The order of the rows does not matter, and nothing later than the week is used.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
import polars as pl

from data_contracts.errors import InputError
from data_contracts.family import Family
from data_contracts.states import HELD
from data_contracts.tables import TRENDS, polars_schema
from data_contracts.weeks import week_number, weeks_of
from models.physics.air import Exponents, main_peak_at_reference
from models.statistics.arrays import Codes, Floats
from models.statistics.side_by_side import side_by_side
from models.tracking.anomaly.fleet import judge_fleet
from models.tracking.anomaly.waveform_residual import Waveforms, waveforms_of
from models.tracking.charts.alarms import ANOMALY_SHARE
from models.tracking.charts.repair_trials import tried
from models.tracking.charts.repeatability import chart_repeatability
from models.tracking.gather import AT_A_TIME, gather
from models.tracking.parts import without_tables
from models.tracking.repeats import repeats_at_visits
from models.tracking.standardise import Standardised, standardise
from models.tracking.state.notices import Notice, Recorders, notices_of
from models.tracking.state.residuals import Residuals, latest_repeats
from models.tracking.state.states import no_states, states_of_parts
from models.tracking.state.told import Aside, Asked, Keep, Tell, Told, pieces_of, told_of
from models.tracking.visits import AIR, MAIN_PEAK, MAIN_PEAK_AS_READ

_AS_READ = (MAIN_PEAK_AS_READ, MAIN_PEAK_AS_READ + "_u")


@dataclass(frozen=True)
class TrackingSettings:
    """Settings of tracking.

    Attributes
    ----------
    false_alarms_per_100_van_weeks : float
        Accepted false alarms, all quantities and mechanisms together. [1]
    anomaly_false_discovery : float
        Accepted share of healthy vans among those listed for their anomaly alone. [1]
    visit_interval_weeks : float
        Time to the next visit of a van with fewer than three visits; other vans have their own mean. [weeks]
    forget_after_weeks : int
        A van without a visit for longer has no state. [weeks]
    trend_weeks : int or None
        Weeks of the trends table to return; None returns all. [weeks]
    threads : int
        Threads that share the work; the result is the same with any number. [1]
    """

    false_alarms_per_100_van_weeks: float = 0.5
    anomaly_false_discovery: float = 0.1
    visit_interval_weeks: float = 1.0
    forget_after_weeks: int = 8
    trend_weeks: int | None = None
    threads: int = 1

    def __post_init__(self) -> None:
        if not 0 < self.false_alarms_per_100_van_weeks <= 50:
            raise InputError(
                f"false_alarms_per_100_van_weeks is {self.false_alarms_per_100_van_weeks}: give more than 0 and at most 50"
            )
        if not 0 < self.anomaly_false_discovery < 1:
            raise InputError(f"anomaly_false_discovery is {self.anomaly_false_discovery}: give a share between 0 and 1")


@dataclass(frozen=True)
class Assessment:
    """The state of the fleet at the end of a week.

    Attributes
    ----------
    captures : polars.DataFrame
        capture_id, representative, held (counts though it was sent back), main_peak_reference_g_s,
        main_peak_reference_g_s_u.
    trends : polars.DataFrame
        Rows of the trends table; none where `keep` took them.
    states : polars.DataFrame
        One row per van with a recent visit: van_id, family, depot, last_week, anomaly_p, anomaly_score, alarm,
        unsteady, anomaly, listed, limits and the facts behind it. Listed vans first.
    residuals : Residuals
        Residuals of the listed vans, in the order of `states`.
    notices : tuple of Notice
        Notices about no single van: vans that moved together point to a recorder or a barometer.
    model_cards : tuple of mapping
        How each family's anomaly model was made.
    models : mapping of str to sklearn.pipeline.Pipeline
        The anomaly models, for the caller to keep.
    """

    captures: pl.DataFrame
    trends: pl.DataFrame
    states: pl.DataFrame
    residuals: Residuals
    notices: tuple[Notice, ...]
    model_cards: tuple[Mapping[str, Any], ...] = ()
    models: Mapping[str, Any] = field(default_factory=dict)


def assess(
    frame: pl.DataFrame | pl.LazyFrame,
    *,
    families: Mapping[str, Family],
    repairs: pl.DataFrame,
    week: str,
    settings: TrackingSettings | None = None,
    shapes: pl.DataFrame | pl.LazyFrame | None = None,
    also: Collection[str] = (),
    tell: Tell | None = None,
    keep: Keep | None = None,
    aside: Aside | None = None,
) -> Assessment:
    """Judge every van as of the end of a week.

    Parameters
    ----------
    frame : polars.DataFrame or polars.LazyFrame
        Captures joined with their readings, in any order; later weeks are left out. Of a lazy one only the columns that tracking
        needs are ever in memory.
    families : mapping of str to Family
        Register; captures of a family that is not in it are left out.
    repairs : polars.DataFrame
        van_id, done_at, and `touches` or `work` and `parts`; later ones are left out.
    week : str
        ISO week, for example 2026-W14.
    settings : TrackingSettings, optional
        Settings; the defaults where left out.
    shapes : polars.DataFrame, polars.LazyFrame or None
        As `models.tracking.shapes_drawn.shapes_of` takes them, for the representative repeat and the anomaly.
    also : collection of str
        Vans that are on the list for another reason than their readings: judged like the listed ones.
    tell : callable, optional
        Shares the charts of the fleet out; threads of this process where left out.
    keep : callable, optional
        Takes the rows of trends of some vans at a time, as soon as they are made: all at once are the most that a pass holds.
    aside : callable, optional
        Puts what the states of some vans are made of aside, and returns what gives it back.

    Returns
    -------
    Assessment
    """
    setting = settings if settings is not None else TrackingSettings()
    known = frame.lazy().filter((pl.col("week") <= week) & pl.col("family").is_in(list(families)))
    visited = _visited(known, shapes, families, _until(repairs, week), setting.threads)
    if visited is None:
        return _nothing()
    std, repeats, told_captures, waveforms = visited
    del visited
    within, repeats = repeats_at_visits(std, repeats), latest_repeats(repeats)
    latest, asked = _latest(std, week_number(week) - setting.forget_after_weeks), _asked(setting, week)
    share = tell or partial(side_by_side, threads=setting.threads)
    found = _charted(
        std, within, repeats, families, _until(repairs, week), latest, asked, setting.threads, share, keep, aside
    )
    std = without_tables(std)  # what is told of is in `found`
    del within, repeats
    anomaly = judge_fleet(
        std,
        found.views,
        found.without_alarm,
        latest,
        false_discovery=setting.anomaly_false_discovery,
        most=ANOMALY_SHARE * asked.per_van_week,
        waveforms=waveforms,
    )
    states = states_of_parts(found.parts, found.rows, anomaly, latest, Recorders(std))
    listed = states.filter(pl.col("listed") | pl.col("van_id").is_in(list(also)))["van_id"]
    return Assessment(
        captures=told_captures,
        trends=found.trends,
        states=states,
        residuals=found.residuals.of_vans(listed.to_list()),
        notices=notices_of(std, week),
        model_cards=anomaly.cards,
        models=anomaly.models,
    )


def _visited(
    frame: pl.LazyFrame,
    shapes: pl.DataFrame | pl.LazyFrame | None,
    families: Mapping[str, Family],
    repairs: pl.DataFrame,
    threads: int,
) -> tuple[Standardised, pl.DataFrame, pl.DataFrame, Waveforms | None] | None:
    """Visits, the scatter of their repeats, what is told of captures, and waveforms; None without any tracked capture. What is large
    and no longer needed ends here."""
    drawn = shapes.lazy() if shapes is not None and shapes.lazy().select(pl.len()).collect().item() else None
    gathered = gather(frame, drawn, threads)
    if gathered is None:
        return None
    parts, repeats = gathered._asdict(), gathered.repeats
    del gathered
    std = standardise(parts.pop("visits"), repeats, families, repairs, threads)
    waveforms = waveforms_of(std.visits, parts["chosen"], drawn) if drawn is not None else None
    told = _captures(parts.pop("captures"), std, families, threads)
    return tried(std, std.visits["repeats"].to_numpy()), repeats, told, waveforms


def _charted(
    std: Standardised,
    within: Floats,
    repeats: pl.DataFrame,
    families: Mapping[str, Family],
    repairs: pl.DataFrame,
    latest: Codes,
    asked: Asked,
    threads: int,
    tell: Tell,
    keep: Keep | None,
    aside: Aside | None,
) -> Told:
    """What is told of all vans; what their charts take ends here."""
    unsteady = chart_repeatability(std, within, per_van_week=asked.per_van_week, threads=threads)
    pieces = pieces_of(std, families, within, repeats, unsteady, repairs, latest, asked, threads=threads)
    return told_of(pieces, tell, keep, aside)


def _asked(setting: TrackingSettings, week: str) -> Asked:
    first_week = week_number(week) - (setting.trend_weeks - 1 if setting.trend_weeks else 10**6)
    per_van_week = setting.false_alarms_per_100_van_weeks / 100.0
    return Asked(per_van_week, setting.visit_interval_weeks, setting.forget_after_weeks, first_week)


def _until(repairs: pl.DataFrame, week: str) -> pl.DataFrame:
    if not repairs.height:
        return repairs
    return repairs.filter(weeks_of(pl.col("done_at")) <= week)


def _latest(std: Standardised, since: int) -> Codes:
    """Last visit of each van that was seen since a week."""
    last = std.starts[1:] - 1
    return last[std.weeks[last] > since]


def _captures(captures: pl.DataFrame, std: Standardised, families: Mapping[str, Family], threads: int) -> pl.DataFrame:
    """What is told of captures, worked out of some at a time."""
    parts = side_by_side(lambda some: _told(some, std, families), captures.iter_slices(AT_A_TIME), threads)
    return pl.concat(parts).sort("capture_id")


def _told(captures: pl.DataFrame, std: Standardised, families: Mapping[str, Family]) -> pl.DataFrame:
    """Per capture: representative or not, and the main peak at reference conditions with the fitted exponents."""
    peaks = np.full((2, captures.height), np.nan)
    for f, name in enumerate(std.families):
        rows = np.flatnonzero((captures["family"] == name).to_numpy())
        read, read_u, *air = (captures[c].gather(rows).cast(pl.Float64).to_numpy() for c in (*_AS_READ, *AIR))
        slopes = std.covariate_slopes.get((f, std.quantities.index(MAIN_PEAK))) if MAIN_PEAK in std.quantities else None
        exponents = None
        if slopes is not None:
            u = np.sqrt(np.diag(slopes.covariance)[:2])
            exponents = Exponents(
                float(slopes.mean[0]),
                float(slopes.mean[1]),
                float(u[0]),
                float(u[1]),
                float(slopes.covariance[0, 1] / (u[0] * u[1])),
            )
        conditions = dict(zip(AIR, air, strict=True))
        peak = main_peak_at_reference(read, read_u, **conditions, family=families[name], exponents=exponents)
        peaks[:, rows] = peak.value, peak.u
    of_peaks = {
        MAIN_PEAK + end: pl.Series(values, nan_to_null=True) for end, values in zip(("", "_u"), peaks, strict=True)
    }
    held = pl.when("low_throughout").then(pl.lit(HELD[0]))
    return captures.select("capture_id", "representative", held=held, **of_peaks)


def _nothing() -> Assessment:
    empty = np.empty((0, 0))
    captures = pl.DataFrame(
        schema={
            "capture_id": pl.String(),
            "representative": pl.Boolean(),
            "held": pl.String(),
            MAIN_PEAK: pl.Float64(),
            MAIN_PEAK + "_u": pl.Float64(),
        }
    )
    return Assessment(
        captures,
        pl.DataFrame(schema=polars_schema(TRENDS)),
        no_states(),
        Residuals((), (), empty, empty, empty, empty, np.empty(0, np.int64)),
        (),
    )
