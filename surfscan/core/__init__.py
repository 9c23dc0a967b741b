"""What every room may use: carriers, flags, errors, constants, the colour curve, the solver, robust statistics."""
