"""The courses over HTTP: patients, courses, sessions, slots, appointments, recalls, capacity."""
