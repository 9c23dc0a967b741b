"""Several views of one panel put together."""
