"""The one exception a user meets."""


class JobFileError(ValueError):
    """A file that cannot be used; the message is one plain sentence: where, what is wrong and what to do."""
