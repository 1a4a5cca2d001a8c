"""Lets ``python -m hotchpot`` run the command line."""

from hotchpot.faces.cli import main

if __name__ == "__main__":
    main()
