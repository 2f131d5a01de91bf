"""`python -m waywright` is the same as `waywright`. While the commands are loaded there is nothing to tidy up: an
interrupt ends the program on the spot.
"""

from waywright.process import leave_at_once


def main() -> None:
    """The `waywright` command."""
    leave_at_once()
    from waywright.cli import main as command

    command()


if __name__ == "__main__":
    main()
