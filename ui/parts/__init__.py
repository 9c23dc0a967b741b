"""Parts that views are made of."""
