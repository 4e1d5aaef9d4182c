"""Notes and photos on the board: given in place, shown to those who may see the order, and out of sight once taken back."""

import shutil
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from dashboards import arriving
from dashboards.text import message
from pipelines.commands.decide import decide_orders
from pipelines.decisions.photos import photos_there
from pipelines.read_side import order_queries
from pipelines.read_side.published import open_published
from pipelines.workspace.people import Person
from pipelines.workspace.workspace import Workspace
from tests.dashboards.conftest import View, everything
from tests.deciding_home import deciding_home
from tests.pictures import PLACE, picture

NOTE = "hose *chafed* at the tank"


@pytest.fixture(scope="module")
def noted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Workspace, dict[str, Any]]:
    """A workspace with a note and two photos at its first order, and that order."""
    workspace = deciding_home(tmp_path_factory.mktemp("noted") / "home")
    order = order_queries.orders(open_published(workspace.root), [], ["proposed"], limit=1).row(0, named=True)
    photos = [(f"{shade}.jpg", picture(shade=shade)) for shade in (20, 120)]
    told = {"order_id": order["order_id"], "state": "noted", "person": "A. Fitter", "note": NOTE, "photos": photos}
    decide_orders(workspace, [told])
    return workspace, order


@pytest.fixture
def home(noted: tuple[Workspace, dict[str, Any]], tmp_path: Path) -> Path:
    shutil.copytree(noted[0].root, tmp_path / "home")
    return tmp_path / "home"


def pictures(app: AppTest) -> list[str]:
    return [str(part.proto.body) for part in app.get("html") if "data:image/jpeg" in str(part.proto.body)]


def test_a_note_is_written_with_a_photo_in_place(
    noted: tuple[Workspace, dict[str, Any]], home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("VANSNAP_HOME", str(home))
    order = noted[1]["order_id"]
    app = AppTest.from_string(
        f"from dashboards import decide\ndecide._note_form({order!r})\n", default_timeout=60
    ).run()
    app.button(key=f"save-note-{order}").click().run()
    assert [error.value for error in app.error] == [message("decide.who")]
    app.text_input(key="decide-person").set_value("B. Fitter").run()
    app.button(key=f"save-note-{order}").click().run()
    assert [error.value for error in app.error] == [message("noted.needed")]
    app.file_uploader(key=f"photos-{order}").set_value(("no photo.jpg", b"text", "image/jpeg")).run()
    app.button(key=f"save-note-{order}").click().run()
    assert "JPEG, PNG or WebP" in app.error[0].value
    app.file_uploader(key=f"photos-{order}").set_value(("one.png", picture("PNG", shade=200), "image/png")).run()
    app.text_area(key=f"noted-{order}").set_value("seen again").run()
    app.button(key=f"save-note-{order}").click().run()
    assert not app.exception
    shown = order_queries.noted(open_published(home), [order])[order]
    assert [(row["person"], row["note"], len(row["photos"])) for row in shown] == [
        ("B. Fitter", "seen again", 1),
        ("A. Fitter", NOTE, 2),
    ]
    assert all(PLACE not in path.read_bytes() for path in photos_there(Workspace(home)))


def test_a_finding_carries_a_note_and_a_photo(
    noted: tuple[Workspace, dict[str, Any]], home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("VANSNAP_HOME", str(home))
    order = noted[1]["order_id"]
    source = f"from dashboards import decide\ndecide.form({order!r}, 'N-01', 'Look', 'proposed', 'done')\n"
    app = AppTest.from_string(source, default_timeout=60).run()
    app.selectbox[0].set_value("none")
    app.text_area(key=f"noted-{order}").set_value("runs well, drove 20 km").run()
    app.file_uploader(key=f"photos-{order}").set_value(("one.webp", picture("WEBP", shade=60), "image/webp")).run()
    app.text_input(key="decide-person").set_value("B. Fitter").run()
    app.button(key=f"save-{order}").click().run()
    assert not app.exception
    told = (
        open_published(home).ask("SELECT found, note, photos FROM order_events WHERE state = 'done'").row(0, named=True)
    )
    assert (told["found"], told["note"], len(told["photos"])) == ("none", "runs well, drove 20 km", 1)


def test_a_photo_on_its_way_is_waited_for_and_then_recorded_by_itself(
    noted: tuple[Workspace, dict[str, Any]], home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is recorded before it is there, nothing needs pressing again, what stood there then counts, and without it only when
    asked."""
    monkeypatch.setenv("VANSNAP_HOME", str(home))
    order = noted[1]["order_id"]
    on_its_way = [1]
    monkeypatch.setattr("dashboards.arriving.waiting", lambda here: 0 if here else on_its_way[0])
    source = f"from dashboards import decide\ndecide._note_form({order!r})\n"

    def kept() -> int:
        return len(order_queries.noted(open_published(home), [order])[order])

    app = AppTest.from_string(source, default_timeout=60).run()
    app.text_input(key="decide-person").set_value("B. Fitter").run()
    app.text_area(key=f"noted-{order}").set_value("as pressed").run()
    app = app.button(key=f"save-note-{order}").click().run()
    assert "The photo is still on the way" in app.warning[0].value
    assert kept() == 1
    app.text_area(key=f"noted-{order}").set_value("typed while waiting").run()
    assert kept() == 1
    app.file_uploader(key=f"photos-{order}").set_value(("late.png", picture("PNG", shade=90), "image/png")).run()
    assert not app.exception
    assert kept() == 2
    newest = order_queries.noted(open_published(home), [order])[order][0]
    assert (newest["note"], newest["person"], len(newest["photos"])) == ("as pressed", "B. Fitter", 1)
    app = AppTest.from_string(source, default_timeout=60).run()  # another visit: it never comes
    app.text_input(key="decide-person").set_value("B. Fitter").run()
    app.text_area(key=f"noted-{order}").set_value("no picture").run()
    app = app.button(key=f"save-note-{order}").click().run()
    app.button(key=f"without-{order}").click().run()
    newest = order_queries.noted(open_published(home), [order])[order]
    assert ("no picture", 0) in [(row["note"], len(row["photos"] or [])) for row in newest]


def test_which_files_are_on_their_way_is_told_by_session_and_form() -> None:
    from streamlit.runtime.memory_uploaded_file_manager import MemoryUploadedFileManager
    from streamlit.runtime.uploaded_file_manager import UploadedFileRec

    manager = MemoryUploadedFileManager("/upload")
    given = arriving._watched(manager)
    one, other = manager.get_upload_urls("mine", ["a.jpg", "b.jpg"])
    manager.add_file("mine", UploadedFileRec(one.file_id, "a.jpg", "image/jpeg", b"x"))
    assert arriving._watched(manager) is given
    assert set(given["mine"]) == {one.file_id, other.file_id}
    manager.remove_file("mine", one.file_id)
    assert set(given["mine"]) == {other.file_id}
    assert manager.get_files("mine", [one.file_id]) == []
    manager.remove_session_files("mine")
    assert given == {}


def test_notes_and_photos_stand_on_the_vans_page_until_they_are_taken_back(
    noted: tuple[Workspace, dict[str, Any]], home: Path, view: View
) -> None:
    order = noted[1]
    app = view("a_van", home, van=order["van_id"])
    assert r"note by A\. Fitter, hose \*chafed\* at the tank" in everything(app)
    assert len(pictures(app)) == 1
    assert pictures(app)[0].count("<img") == 2
    assert 'alt="Photo 2 of 2, by A. Fitter, ' in pictures(app)[0]
    event = order_queries.noted(open_published(home), [order["order_id"]])[order["order_id"]][0]
    told = {"order_id": order["order_id"], "state": "undo", "undoes": event["event_id"], "person": "A. Fitter"}
    decide_orders(Workspace(home), [told])
    again = view("a_van", home, van=order["van_id"])
    assert "chafed" not in everything(again)
    assert "taken back by A" in everything(again)
    assert pictures(again) == []
    assert len(photos_there(Workspace(home))) == 2  # nothing is deleted


def test_the_workshop_folds_the_notes_of_an_order(
    noted: tuple[Workspace, dict[str, Any]], home: Path, view: View
) -> None:
    app = view("workshop", home)
    folds = [fold.label for fold in app.expander if fold.label.startswith("Notes and photos")]
    assert folds == ["Notes and photos (1)"]
    assert pictures(app) == []  # read once it is opened


def test_nobody_sees_photos_of_another_depot(
    noted: tuple[Workspace, dict[str, Any]], home: Path, view: View, monkeypatch: pytest.MonkeyPatch
) -> None:
    order = noted[1]
    other = "south" if order["depot"] == "north" else "north"
    monkeypatch.setattr("dashboards.parts.me", lambda: Person("Vera", "viewer", (other,)))
    for app in (view("a_van", home, van=order["van_id"]), view("workshop", home)):
        assert "chafed" not in everything(app)
        assert pictures(app) == []
        assert not [fold for fold in app.expander if fold.label.startswith("Notes and photos")]


def test_a_photo_that_is_gone_is_said_and_the_page_stands(
    noted: tuple[Workspace, dict[str, Any]], home: Path, view: View
) -> None:
    from pipelines.read_side import order_photos

    order_photos.small_photo.cache_clear()
    photos_there(Workspace(home))[0].write_bytes(b"damaged")
    app = view("a_van", home, van=noted[1]["van_id"])
    assert not app.exception
    assert any("is missing or damaged" in warning.value for warning in app.warning)
    assert pictures(app)[0].count("<img") == 1
