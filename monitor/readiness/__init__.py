"""Check before a run: stream, electrodes, trigger, sound and timing."""
