"""What a run finds out, as facts: a code, numbers and names; and the one place where they become sentences.

Start at vocabulary.py: every code, the fields it has, and its sentence in every language.
"""
