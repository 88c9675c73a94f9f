"""`python -m ground`: what the launcher hands over to."""

from ground.cli import main

if __name__ == "__main__":
    main()
