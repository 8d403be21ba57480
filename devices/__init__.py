"""Laser models, lasers, handpieces, the pulse ledger, lock-outs; metrology and safety."""
