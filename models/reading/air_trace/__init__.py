"""The air-mass trace: conditioning, the opening, peaks, dip, release and what ripples on it.

Start at landmarks.py.
"""
