"""`python -m livemon` is the `livemon` command."""

from livemon.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
