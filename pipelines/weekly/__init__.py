"""The weekly run: its steps as plain functions, and the orchestrator around them.

Start at steps.py.
"""
