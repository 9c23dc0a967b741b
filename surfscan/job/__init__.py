"""What the user brings: the sheet and the photos, read, checked and linearised."""
