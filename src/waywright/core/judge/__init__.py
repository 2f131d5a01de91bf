"""Zones, twist, parallelism, grades and decisions: numbers only, knows no network."""
