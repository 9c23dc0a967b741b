"""Deviation to labelled spots to one row per spot."""
