"""How unusual a van is as a whole, from its readings and the shape of its traces, with a calibrated p-value.

Start at fleet.py.
"""
