"""How often a chart signals without cause, and how late with one: a chart a file, all computed, none simulated."""
