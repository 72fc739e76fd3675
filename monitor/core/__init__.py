"""The pure engine: samples in, events out. No clock, thread, file, window, network or hidden randomness."""
