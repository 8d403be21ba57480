"""Formulas and tables of the trade, each with its source. Pure: no Django."""
