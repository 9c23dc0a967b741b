"""Draw and write what a check found; compute nothing."""
