"""The lambda trace of one bank: levels, step responses, lean dips, switching and ripple.

Start at quantities.py.
"""
