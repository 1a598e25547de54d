"""``python -m syncvid``."""

from syncvid.cli import main

if __name__ == "__main__":
    main()
