"""G-code motion controllers. `dialect` knows bytes, `gantry` the line."""
