"""What the charts and the anomaly say of each van this week.

Start at states.py.
"""
