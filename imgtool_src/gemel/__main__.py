"""``python -m gemel``."""

try:
    from gemel.cli.entry import run
except KeyboardInterrupt:  # before the first line of ``entry``, which takes care of it from there on
    raise SystemExit(130) from None

if __name__ == "__main__":
    run()
