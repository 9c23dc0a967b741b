"""Results read back, the record of the shop, and height maps in open file forms."""
