"""Writes that carry a rule, a lock or more than one row."""
