"""Counters of pulses against the ledger. A pure package: no Django."""
