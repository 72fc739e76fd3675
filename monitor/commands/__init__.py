"""Commands, one file per group. Each file has ``add(commands)`` for its arguments and a function that does the work."""
