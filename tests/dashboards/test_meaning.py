"""What it means: every page opens, and a word is found."""

import itertools
import re
from html import unescape
from pathlib import Path

import numpy as np
import pytest

from dashboards import meaning_pictures, meaning_where
from dashboards.palette import LIGHT
from data_contracts.causes import EVERY_CAUSE
from data_contracts.cautions import cautions_for
from data_contracts.signals import BANK2_PREFIX, QUANTITIES
from pipelines.read_side.published import open_published
from tests.dashboards.conftest import View, everything


def test_every_page_of_meaning_opens_and_leads_on(view: View) -> None:
    app = view("meaning", page="causes/lambda_slow")
    assert not app.exception
    assert app.header[0].value == "Lambda sensor slow"
    shown = everything(app)
    assert "How it is computed" in [fold.label for fold in app.expander]
    assert "[Response time to rich](meaning?page=quantities/lambda_to_rich_time_constant_s)" in shown
    overview = view("meaning", page="causes/no_such")
    assert overview.session_state["page"] == "overview"
    assert "](meaning?page=quantities/main_peak_g_s)" in everything(overview)
    landmarks, *galleries = (element.proto.body for element in overview.get("html"))
    causes = "".join(galleries)
    assert landmarks.count("<img ") == 2  # one for a phone
    for page in ("causes/fuel_delivery_weak", "causes/wrong_fuel"):
        assert f'href="meaning?page={page}"' in causes, page
    assert causes.count("<img ") > 15
    assert "Hard to see by eye" in " ".join(heading.value for heading in overview.subheader)
    assert (
        "<p>Fuel taken off at idle; lean at full throttle (trims carried to full throttle); not lean enough with the fuel cut.</p>"
        in causes
    )


def test_a_word_is_sought_in_names_and_in_what_is_said_of_them(view: View) -> None:
    app = view("meaning")
    app.text_input(key="find-word").set_value("TRIM idle").run()
    shown = everything(app)
    assert "[Fuel trim at idle](meaning?page=quantities/trim_idle_pct)" in shown
    assert "main_peak_g_s" not in shown
    app.text_input(key="find-word").set_value("taken off at idle").run()
    assert "(meaning?page=causes/injector_leaking)" in everything(app)
    app.text_input(key="find-word").set_value("<b>[x](y)").run()
    assert not app.exception
    assert "Nothing has that word" in app.info[0].value


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("code", ["injector_leaking", "purge_valve_open", "lambda_slow"])
def test_cautions_of_a_cause_stand_once_ahead_of_the_work_and_danger_first(
    view: View, code: str, language: str
) -> None:
    app = view("meaning", page=f"causes/{code}")
    app.session_state["display-language"] = language
    app.run()
    page = [unescape(getattr(element, "value", None) or getattr(element.proto, "body", "")) for element in app.main]
    whole = "\n".join(page)
    told = [caution.text.in_language(language) for caution in cautions_for(code)]  # type: ignore[arg-type]
    for words in told:
        assert whole.count(words) == 1, words
    steps = next(k for k, piece in enumerate(page) if re.match(r"1\. ", piece))
    assert max(k for k, piece in enumerate(page) if 'class="cautions"' in piece) < steps
    if EVERY_CAUSE[code].fuel_may_escape:
        first = re.search(r'class="cautions".*?<li>(.*?)</li>', whole, re.S)
        assert first is not None
        assert first[1].startswith(("Petrol may escape", "Benzin kann austreten"))


def test_a_look_alike_is_named_with_its_reason_and_where_the_job_rules_it_out(view: View) -> None:
    shown = everything(view("meaning", page="causes/injector_leaking"))
    assert shown.lower().count("purge valve stuck open") == 2
    assert "with a full canister the trims take fuel off at idle for both" in shown


def test_the_page_of_a_quantity_says_what_is_usual_here_and_how_sure(
    view: View, sample_home: Path, tmp_path: Path
) -> None:
    app = view("meaning", page="quantities/main_peak_reference_g_s")
    shown = everything(app)
    assert "Unit: g/s." in shown
    assert "## Usual in this fleet" in shown
    usual, sure = (frame.value for frame in app.table)
    assert [str(head) for head in usual.columns] == ["Family", "Usual [g/s]", "Limit", "Vans"]
    assert re.fullmatch(r"[\d.]+ to [\d.]+", str(usual.iloc[0, 1]))
    assert [str(head) for head in sure.columns] == ["Family", "One snap [g/s]", "Snap to snap [g/s]"][: sure.shape[1]]
    assert all(re.fullmatch(r"± [\d.]+", str(cell)) for cell in sure.iloc[0, 1:])
    counts = dict(open_published(sample_home).ask("SELECT family, count(*) FROM vans GROUP BY family").iter_rows())
    assert {
        str(row["Family"]).replace("\\", ""): int(row["Vans"].split(" of ")[1]) for _, row in usual.iterrows()
    }.items() <= counts.items()
    assert shown.count("[Exhaust restricted]") + shown.count("[exhaust restricted]") == 1  # one list of causes
    assert "Unit:" not in everything(view("meaning", page="quantities/lambda_idle"))  # a ratio
    bare = view("meaning", home=tmp_path, page="quantities/main_peak_reference_g_s")  # nothing published
    assert not bare.exception
    assert "Usual in this fleet" not in everything(bare)


@pytest.mark.parametrize("name", [name for name in QUANTITIES if not name.startswith(BANK2_PREFIX)])
def test_every_quantity_of_a_trace_is_drawn_where_it_is_read(name: str) -> None:
    of = meaning_pictures.traces()
    assert of is not None
    drawn = meaning_where.place(name, of, LIGHT)
    if QUANTITIES[name].need.channel == "manifest":
        assert drawn is None
        return
    assert drawn is not None
    assert LIGHT.alarm in drawn.svg
    where = QUANTITIES[name].drawn_at
    assert where is not None
    assert ("<circle" in drawn.svg) == bool(where.landmark)
    assert ("<polygon" in drawn.svg) == (not where.landmark)


def test_similar_pictures_stand_side_by_side() -> None:
    """The way from picture to picture is shorter than nearly every other, and pairs that look alike are neighbours."""
    of = meaning_pictures.traces()
    assert of is not None
    rng = np.random.default_rng(7)
    for trace, codes in meaning_pictures.alike(of).items():
        if trace == "none":
            continue
        away = {code: of.causes[code].trace(trace) - of.healthy.trace(trace) for code in codes}
        away = {code: one / np.linalg.norm(one) for code, one in away.items()}

        def way(order: list[str], away: dict[str, np.ndarray] = away) -> float:
            return sum(1.0 - float(away[a] @ away[b]) for a, b in itertools.pairwise(order))

        others = [way(list(rng.permutation(codes))) for _ in range(500)]
        assert way(codes) < np.quantile(others, 0.01)
    near = list(itertools.pairwise(meaning_pictures.alike(of)["lambda"]))
    for pair in (
        {"lambda_slow", "lambda_heater"},
        {"fuel_delivery_weak", "rail_pressure_low"},
        {"ignition_weak", "fuel_aeration"},
    ):
        assert pair in map(set, near)
