"""Slopes to height, height to fair form and deviation, and the standard figures of it."""
