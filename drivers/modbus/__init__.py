"""Modbus RTU: power meters. `frames` and `registers` know bytes, `power_meter` the line."""
