"""Capacity: what could be booked against what is booked. Pure: no Django."""

from courses.capacity.week import CapacityRow, Unit, WeekCapacity, week_capacity

__all__ = ["CapacityRow", "Unit", "WeekCapacity", "week_capacity"]
