"""Chains, clinics, people, opening hours, and what is busy when."""
