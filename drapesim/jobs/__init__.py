"""Floor 6: whole jobs, from a scene file to a run folder."""
