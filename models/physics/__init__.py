"""Published physics of the two sensors and the air: density and humidity, transfer tables, the sensor characteristics.

Start at air.py.
"""
