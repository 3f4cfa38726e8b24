"""A plan as files for people and for other tools."""
