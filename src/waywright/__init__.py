"""Waywright: the true shape of every face, how sure that is, what no reading can see, and what to do next."""

__version__ = "0.1.0"
