"""What the measured shape leaves unexplained in the photos: texture."""
