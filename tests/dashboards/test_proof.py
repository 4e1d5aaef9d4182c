"""Proof: what is typed in for page 1 goes into the file, and is asked for once."""

from pathlib import Path

import duckdb
import pytest

from dashboards import proof
from pipelines.reports.claim import LONGEST_FIELD, Claim
from tests.dashboards.conftest import View, everything

VAN = "S-03"


@pytest.fixture
def built(monkeypatch: pytest.MonkeyPatch) -> list[Claim]:
    """Claims of the files that were built."""
    claims: list[Claim] = []

    def made(van_id: str, claim: Claim) -> tuple[bytes, int, str]:
        claims.append(claim)
        return b"zip", 3, "3f9a20c7"

    monkeypatch.setattr(proof, "_made", made)
    return claims


def test_fields_of_page_1_go_into_the_file_as_typed(view: View, built: list[Claim]) -> None:
    app = view("proof", van=VAN)
    assert "Still empty on page 1: VIN, Plate, Part number, Odometer, Claim number, Contact." in _plain(everything(app))
    app.text_input(key=f"claim_number-{VAN}").set_value("  4711\t<b>B</b> ").run()
    app.text_input(key=f"contact-{VAN}").set_value("A. Clerk").run()
    assert "Still empty on page 1: VIN, Plate, Part number, Odometer." in _plain(everything(app))
    assert app.text_input(key=f"contact-{VAN}").proto.max_chars == LONGEST_FIELD
    next(button for button in app.button if button.label == "Build the file").click().run()
    assert not app.exception
    (claim,) = built
    assert claim.entered == {"claim_number": "4711 <b>B</b>", "contact": "A. Clerk"}
    assert "is ready" in app.success[0].value
    app.text_input(key=f"contact-{VAN}").set_value("B. Clerk").run()
    assert not app.success  # what was built is not what now stands there


def test_what_the_register_has_is_filled_in_and_only_a_change_is_entered(
    view: View, built: list[Claim], sample_home: Path, tmp_path: Path
) -> None:
    import shutil

    home = shutil.copytree(sample_home, tmp_path / "home")
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        connection.execute("UPDATE vans SET vin = 'ZZZ00000000000077', plate = 'XX 1' WHERE van_id = ?", [VAN])
    app = view("proof", home, van=VAN)
    assert app.text_input(key=f"vin-{VAN}").value == "ZZZ00000000000077"
    assert not app.warning
    app.text_input(key=f"plate-{VAN}").set_value("XX 2").run()
    app.text_input(key=f"vin-{VAN}").set_value("").run()  # then it is the register's
    assert "Still empty on page 1: Part number, Odometer, Claim number, Contact." in _plain(everything(app))
    next(button for button in app.button if button.label == "Build the file").click().run()
    assert built[-1].entered == {"plate": "XX 2"}
    app.text_input(key=f"vin-{VAN}").set_value("1M8GDM9AXKPO42788").run()
    assert "17 letters and digits" in app.warning[0].value


def test_a_character_that_cannot_be_printed_is_refused_in_one_line(view: View, built: list[Claim]) -> None:
    app = view("proof", van=VAN)
    app.text_input(key=f"plate-{VAN}").set_value("a\u202eb").run()
    assert "printed" in app.error[0].value
    assert not built
    assert not any(button.label == "Build the file" for button in app.button)


def _plain(markdown: str) -> str:
    return markdown.replace("\\", "")


def test_proof_opens_with_a_listed_van_whose_warranty_stands(
    view: View, built: list[Claim], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboards.warranty.covers", lambda row: row["van_id"] == VAN)
    assert view("proof").selectbox(key="van").value == VAN
    monkeypatch.setattr("dashboards.warranty.covers", lambda _row: False)
    app = view("proof")
    assert app.selectbox(key="van").value == app.selectbox(key="van").options[0]
