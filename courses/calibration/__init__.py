"""What the chain's own courses say about the session estimate.

Predicted against observed sessions, coverage of the P10-P90 band, drop-out, and a refit of the
prior. Courses that run or were left early are right-censored: they took more sessions than were
done. Below 30 courses nothing is concluded.
"""
