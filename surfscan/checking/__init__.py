"""What knows the order: a job, a map or several views through the rooms to one result."""
