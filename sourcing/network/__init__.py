"""Any line layer as a network of ways on which people walk under a load."""
