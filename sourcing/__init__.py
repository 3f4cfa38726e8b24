"""Plans the sourcing of crop residue for portable charring barrels."""

__version__ = "0.1.0"
