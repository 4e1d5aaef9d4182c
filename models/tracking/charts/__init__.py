"""Control charts, their limits and alarms, the onset of a change, and forecasts to a limit.

Start at recursion.py.
"""
