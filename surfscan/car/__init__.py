"""A car: panels with their places, what each is judged to be, and what is left to do in order."""
