"""Who is told what, by mail or webhook, and what a monitor may ask: `matters.py` finds it, `letter.py` words it, `after_run.py`
sends it; `monitor.py` has health and metrics."""
