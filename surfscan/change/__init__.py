"""Two measured surfaces of one panel: laid over each other, and what changed between them."""
