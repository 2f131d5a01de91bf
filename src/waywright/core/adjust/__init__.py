"""Estimating shapes: rows to a factor, its solution, blind spots and suspects."""
