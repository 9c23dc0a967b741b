"""What the views show, one file per thing shown. Each has a `TITLE` and a `show()`."""
