"""Reads for recalls: whose skin is ready, what is due, and whether to say it still."""
