"""The printed logbook of a laser: what stands in it, and its pages as PDF. No Django."""

from devices.logbook.contents import Column, Logbook, Section
from devices.logbook.pages import logbook_pdf

__all__ = ["Column", "Logbook", "Section", "logbook_pdf"]
