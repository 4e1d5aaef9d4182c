"""What it means: every page opens, and a word is found."""

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
    assert "<p>Fuel taken off at idle.</p>" in causes


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
