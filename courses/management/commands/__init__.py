"""Commands of the courses."""
