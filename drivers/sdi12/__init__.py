"""SDI-12: the 1200 baud bus of environmental sensors. `codec` knows bytes, `sensor` the line."""
