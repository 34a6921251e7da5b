"""Zone tables, probabilities and comparison of results."""
