"""One file a step, in order; once released, a step is never changed."""
