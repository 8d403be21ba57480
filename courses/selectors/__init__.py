"""Reads of the courses, by concept. Each has a fixed number of queries."""
