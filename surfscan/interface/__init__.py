"""Functions for programs and notebooks over several results: paths or results in, records out."""
