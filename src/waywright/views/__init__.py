"""What people read of a result: frozen view models with the numbers rounded once, here, and the exact ones as JSON."""
