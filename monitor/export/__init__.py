"""Runs as files for other programs. Runs are only read; nothing that is there is overwritten."""
