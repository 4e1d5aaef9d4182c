"""Facts that a run finds out (a code, numbers and names), and the only place where they become sentences.

Start at vocabulary.py: every code, the fields it has, and its sentence in every language.
"""
