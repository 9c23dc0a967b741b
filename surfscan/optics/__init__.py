"""Where things are, and the law of reflection both ways."""
