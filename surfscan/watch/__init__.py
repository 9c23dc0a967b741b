"""Photos that arrive in a folder: waited for, grouped into jobs by tags, time and folder, and checked."""
