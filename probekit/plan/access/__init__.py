"""Whether the probe reaches: its clearance along moves, poses, and the reason where it does not."""
