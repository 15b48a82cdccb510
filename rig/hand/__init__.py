"""The run that a person walks: they carry the sensor, or type what they read."""
