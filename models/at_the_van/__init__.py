"""At the van: one visit's snaps against the van's own past, its family and the register's limits.

Start at `judge.py`; what is expected of the next snap is in `expected.py`.
"""
