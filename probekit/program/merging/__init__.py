"""Probing put into a milling program, the control's state handed back, and what changed."""
