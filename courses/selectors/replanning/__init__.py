"""Reads for re-plans: which visits outages hit, what they need, and what the diary still offers."""
