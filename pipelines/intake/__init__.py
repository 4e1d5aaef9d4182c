"""From the inbox to held recordings: the contract, identity, quarantine and corrections.

Start at take_in.py.
"""
