"""What to do next: readings not yet taken, what is taken again, where metal comes off, and which of these first."""
