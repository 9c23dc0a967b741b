"""For a class: exercises whose answer is known, and worksheets from them."""
