"""A photo, a job folder or a camera looked at before anything is measured."""
