"""Draws and writes; computes nothing."""
