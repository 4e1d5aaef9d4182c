"""The warehouse, waveform chunks and models, and how a week is published.

Start at warehouse.py.
"""
