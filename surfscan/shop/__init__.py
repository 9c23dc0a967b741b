"""What the sum of a record's checks tells a shop that no single one can."""
