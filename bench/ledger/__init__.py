"""The pulse ledger and its counters, measured."""
