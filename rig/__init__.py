"""The controller: plans, runs, records, and the command line."""
