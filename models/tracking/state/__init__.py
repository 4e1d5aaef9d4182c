"""The state of each van this week, from charts and anomaly.

Start at states.py.
"""
