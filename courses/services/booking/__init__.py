"""Appointments made, moved and ended; holds; series. Import what is public from here."""

from courses.services.booking.holds import Hold, holds_expire
from courses.services.booking.outcomes import (
    appointment_arrive,
    appointment_cancel,
    appointment_check_in,
    appointment_no_show,
)
from courses.services.booking.series import SeriesOrder, series_book
from courses.services.booking.visits import (
    appointment_book,
    appointment_confirm,
    appointment_move,
)

__all__ = [
    "Hold",
    "SeriesOrder",
    "appointment_arrive",
    "appointment_book",
    "appointment_cancel",
    "appointment_check_in",
    "appointment_confirm",
    "appointment_move",
    "appointment_no_show",
    "holds_expire",
    "series_book",
]
