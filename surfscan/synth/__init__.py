"""Known surfaces and photos of them; imported by no stage of a check."""
