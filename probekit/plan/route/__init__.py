"""The order of touching, the ways between, and the time they take."""
