"""From the watchlist to work: orders, what they are worth, when the workshop does them, and whether a repair held.

Start at orders.py.
"""
