"""Speak to instruments. Know nothing of runs, grids or reports."""
