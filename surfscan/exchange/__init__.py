"""Height maps to and from other instruments and programs, in open forms.

x3p (ISO 25178-72), sdf (ISO 25178-71), a grid of numbers as CSV, meshes (PLY, STL) and a 16-bit PNG.
"""
