"""``python -m gemel``."""

from gemel.cli.entry import run

if __name__ == "__main__":
    run()
