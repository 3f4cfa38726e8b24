"""What a planner asks of a plan: what more would earn, what other plans cost, and why not."""
