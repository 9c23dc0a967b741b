"""Photos without a sheet: a printed kit known by its tags' numbers, and stations whose board stays put."""
