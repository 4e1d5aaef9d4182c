"""Read access to a published week; all that the board may ask.

Start at published.py.
"""
