"""What people decide and find, kept as files first, and the orders and lessons that follow from it.

Start at order_decisions.py.
"""
