"""The pure heart: arrays in, frozen dataclasses out. No files, clock, database or web."""
