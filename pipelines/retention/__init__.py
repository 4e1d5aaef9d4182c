"""Raw waveforms that are kept no longer: which are due, and how they go while everything read from them stays.

Start at remove.py.
"""
