"""The steps from each schema of the book to the next; see `waywright.record.schema`."""
