"""Work on a van and what it touches: one record per kind of work, with the words workshops write for it.

`record.py` says what a record holds, `on_the_engine.py` and `elsewhere.py` hold them, `entry.py` what a fleet adds in its
register. Reading a sentence by them is `models/tracking/work_words.py`.
"""

from collections.abc import Mapping

from data_contracts.work_done.elsewhere import ELSEWHERE, READINGS_ONLY
from data_contracts.work_done.on_the_engine import ON_THE_ENGINE
from data_contracts.work_done.record import Work

WORKS: Mapping[str, Work] = {work.name: work for work in (*ON_THE_ENGINE, *ELSEWHERE, *READINGS_ONLY)}
"""Every kind of work the software knows, by name."""
