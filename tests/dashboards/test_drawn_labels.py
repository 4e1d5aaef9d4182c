"""Labels of a snap's drawing in a real browser, at a phone's width, for every family of the small fleet."""

import pytest

from dashboards import meaning_pictures
from dashboards.palette import LIGHT
from dashboards.snap_drawing import draw
from tests.dashboards.browsing import ARGUMENTS
from tests.dashboards.drawn_snaps import snaps_drawn

pytestmark = pytest.mark.browser
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")


@pytest.mark.parametrize("language", ["en", "de"])
def test_labels_of_a_drawing_never_collide_on_a_phone(
    chromium: str, language: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the browser sets them, 360 px wide: no two words meet, none is cut off, none smaller than 11 px."""
    for module in ("dashboards.text", "dashboards.snap_drawing"):
        monkeypatch.setattr(f"{module}.language", lambda: language)
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 360, "height": 740})
        for document in snaps_drawn():
            page.set_content(f"<body style='margin:10px'>{draw(document, LIGHT)}</body>")
            texts = page.evaluate(
                "[...document.querySelectorAll('text')].map(each => { const box = each.getBoundingClientRect();"
                " return [each.textContent, box.left, box.top, box.right, box.bottom,"
                " parseFloat(getComputedStyle(each).fontSize) * box.height / each.getBBox().height] })"
            )
            assert len(texts) > 12
            for words, left, top, right, bottom, size in texts:
                assert left >= 9, words
                assert right <= 351, words
                assert size >= 11, words
                meets = [
                    o[0]
                    for o in texts
                    if o[0] != words and left < o[3] and o[1] < right and top + 3 < o[4] and o[2] + 3 < bottom
                ]
                assert meets == [], words
        browser.close()


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("narrow", [False, True])
def test_landmarks_are_named_on_the_paper_and_no_two_names_meet(
    chromium: str, language: str, narrow: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboards.text.language", lambda: language)
    of = meaning_pictures.traces()
    assert of is not None
    drawn = meaning_pictures.landmarks(of, LIGHT, narrow=narrow)
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 360 if narrow else 800, "height": 740})
        page.set_content(f"<body style='margin:0'>{drawn.svg}</body>")
        paper, *texts = page.evaluate(
            "[document.querySelector('svg'), ...document.querySelectorAll('text')].map(each => {"
            " const box = each.getBoundingClientRect(); return [each.textContent, box.left, box.top, box.right, box.bottom] })"
        )
        browser.close()
    assert len(texts) == (20 if narrow else 12)  # on a phone numbers stand at the marks and names in a legend
    for words, left, top, right, bottom in texts:
        assert paper[1] <= left < right <= paper[3], words
        meets = [
            o[0]
            for o in texts
            if o[0] != words and left < o[3] and o[1] < right and top + 3 < o[4] and o[2] + 3 < bottom
        ]
        assert meets == [], words
