"""Table and limits to a verdict and what to do about it."""
