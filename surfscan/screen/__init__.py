"""Stripes or dots on a television or tablet, at a known size, stepped slowly."""
