"""Sensors that print a number as a line of text. `codec` knows bytes, `sensor` the line."""
