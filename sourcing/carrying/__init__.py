"""Where barrels may stand, and what it takes to carry the residue there."""
