"""`python -m softctl`."""

from softctl.cli import main

if __name__ == "__main__":
    main()
