"""What is known before anything is worked out, kept as typed, and the forms of what comes out of it."""
