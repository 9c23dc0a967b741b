"""From a photo to where on the board each panel point looks."""
