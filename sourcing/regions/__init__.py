"""A whole state: land in tiles, placement in regions, prices between them, on one machine or many."""
