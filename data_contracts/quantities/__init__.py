"""One record per quantity, by the part of the reading that produces it. Start at record.py."""
