"""Planning without a terminal: a page on this machine from which a season is run."""
