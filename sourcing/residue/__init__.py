"""From fields to residue by week: what grows, what must stay, what is free to take, and how sure that is."""
