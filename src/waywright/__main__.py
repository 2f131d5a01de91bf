"""`python -m waywright` is the same as `waywright`."""

from waywright.cli import main

if __name__ == "__main__":
    main()
