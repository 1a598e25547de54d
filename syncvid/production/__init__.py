"""The plan of a production (the user's) and the results found for it (the machine's)."""
