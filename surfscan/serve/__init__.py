"""A service for other programs: submit a job, follow it, fetch its result; one pool of workers, a bounded queue."""
