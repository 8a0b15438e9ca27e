"""``python -m benchlab``: the same as the ``benchlab`` command."""

from benchlab.cli import main

if __name__ == "__main__":
    main()
