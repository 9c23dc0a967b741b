"""The shot in drawings, and what goes wrong in pictures: made by the program's own optics."""
