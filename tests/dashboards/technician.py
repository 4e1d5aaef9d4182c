"""What tests of the technician's screen share: a reading that answers as told, files handed over, what the page says."""

from typing import Any

from streamlit.testing.v1 import AppTest

from data_contracts.facts.fact import Fact

Given = list[dict[str, Any]]
PEAK = {"main_peak_g_s": {"value": 61.2, "u": 0.4, "unit": "g/s"}}


def document(names: list[str], **against: Any) -> dict[str, Any]:
    """A document of `vansnap read`."""
    held = {
        "van": None,
        "verdict": "same",
        "sent_back": False,
        "check_family": False,
        "check_van": False,
        "on_list": None,
        "on_file": None,
    }
    held |= {"limit_crossed": False}
    held |= {"facts": [Fact.of("van_same", count=3).row()], "quantities": [], "representative": None}
    held |= {"repeats": {"main_peak_g_s": {"repeat_u": 1.5, "repeat_from": "visit"}}}
    captures = [
        {
            "file": name,
            "snap": 1,
            "verdict": "accept",
            "grade": "good",
            "shown_grade": "good",
            "grade_reasons": [],
            "readings": PEAK,
            "unread": {},
        }
        for name in names
    ]
    return {"captures": captures, "against": held | against, "conditions_of_file": {}}


def hand_over(app: AppTest, *files: tuple[str, bytes]) -> AppTest:
    uploader = app.file_uploader[0]
    return uploader.set_value([(name, content, "text/csv") for name, content in files]).run()


def number(app: AppTest, label: str) -> Any:
    return next(field for field in app.number_input if field.label.startswith(label))


def told(app: AppTest) -> str:
    parts = (*app.title, *app.markdown, *app.success, *app.warning, *app.error, *app.caption)
    return "\n".join(str(part.value) for part in parts)
