"""What a control line of a serial port switches: a lamp relay."""
