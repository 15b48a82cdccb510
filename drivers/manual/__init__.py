"""Instruments that a person serves: carries, reads off, and keys in."""
