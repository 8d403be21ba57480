"""Recalls: planned when a window closes or a visit is near, sent once, handled by the front desk.

Rows with due times are the truth. A tick claims what is due; two ticks, ten workers or a killed
one change nothing.
"""
