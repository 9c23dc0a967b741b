"""The shop's record: every finished pass of every panel, in one database."""
