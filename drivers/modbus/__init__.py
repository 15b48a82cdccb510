"""Modbus RTU and TCP. `frames`, `framing`, `registers` and `sunspec` know bytes only."""
