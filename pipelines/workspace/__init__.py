"""The workspace: its folders, settings, the fleet register, and who may see what.

Start at workspace.py.
"""
