"""Many jobs: each checked in a process of its own, on this computer or on others, to rows, a table and an index."""
