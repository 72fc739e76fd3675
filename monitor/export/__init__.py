"""Export of runs as files for other programs. Runs are not changed, and existing files are never overwritten."""
