"""Floor 1: containers, units, closed-form answers, the closed list of endings."""
