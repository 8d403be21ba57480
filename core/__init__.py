"""Kernel: errors, transactions, spans and the manners of the API. Imports no app."""
