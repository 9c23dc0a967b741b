"""Before the photo: what a set-up can see, where to stand, and what to print."""
