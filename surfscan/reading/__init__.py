"""One kind of light per file: photos and geometry in, the panel's slopes and height out."""
