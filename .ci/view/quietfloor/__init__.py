"""Auditory brainstem responses on open hardware: ``quietfloor.monitor``, ``quietfloor.stimuli``, ``quietfloor.bench``."""
