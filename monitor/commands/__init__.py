"""One file a group of commands. Each has ``add(commands)`` for its arguments and a function that does the work."""
