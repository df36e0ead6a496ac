"""`python -m remakes.cli`."""

from remakes.cli import main

if __name__ == "__main__":
    main()
