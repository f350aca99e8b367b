"""`python -m stopwise`: the command line, where the script isn't on the path."""

from stopwise.cli import main

if __name__ == "__main__":
    main()
