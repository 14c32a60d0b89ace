"""The `livemon` command, and `python -m livemon`."""


def main() -> int:
    """Status of the command; ctrl-C before a verb begins is 130, without a word (see `cli`)."""
    try:
        from livemon.cli import main as command

        return command()
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    raise SystemExit(main())
