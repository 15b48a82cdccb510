"""The demo: an invented seed-breeding room compares three reflectors on the virtual bench."""
