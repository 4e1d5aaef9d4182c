"""One capture in, every quantity with its uncertainty out.

Start at read.py; recipe.py calls the steps in order. air_trace/ reads the air-mass signal, lambda_trace/ the lambda
signal.
"""
