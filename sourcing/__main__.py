"""`python -m sourcing` is the command `sourcing`."""

from sourcing.cli import main

if __name__ == "__main__":
    main()
