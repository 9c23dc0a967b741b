"""Photos of a matt panel under one lamp at known places, to slopes."""
