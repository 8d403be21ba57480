"""Courses of treatment: from the assessment to the end, and everything in between."""
