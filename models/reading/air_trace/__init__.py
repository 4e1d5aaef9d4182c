"""The air-mass trace: conditioning, opening, peaks, dip, release, firing ripple and mains hum.

Start at landmarks.py.
"""
