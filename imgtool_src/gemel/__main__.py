"""``python -m gemel``."""

from gemel.cli.main import run

if __name__ == "__main__":
    run()
