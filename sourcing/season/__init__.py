"""The season in figures: the question put to the optimiser, and its answer as work, money, air and chances."""
