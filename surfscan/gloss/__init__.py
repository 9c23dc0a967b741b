"""How a panel will look in gloss: a measured or made map mirrored in clear coat, before it is sprayed."""
