"""What the page can show, one file per view; each has a `show()`, and a line in the router."""
