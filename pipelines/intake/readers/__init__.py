"""One file per waveform format, each a pair `is_x`, `read_x`.

Start at recording.py, which lists them.
"""
