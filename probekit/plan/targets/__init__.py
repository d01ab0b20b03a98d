"""Targets on the model: picks, curves, spreads, patterns, and where not to touch."""
