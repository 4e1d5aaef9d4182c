"""Paper and files for others: work orders, the list, the warranty file, plots.

Start at paper.py.
"""
