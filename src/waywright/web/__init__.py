"""The bench: the pages where the work is done, on one's own machine. `serve` starts it; `app.bench_app` makes it."""
