"""From the residuals of a van to probabilities of causes, and the test that separates the leaders.

Start at infer.py.
"""
