"""Instruments that are spoken to in SCPI, the text commands on top of IEEE 488.2."""
