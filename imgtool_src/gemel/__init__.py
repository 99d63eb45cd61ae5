"""gemel joins the builds of a two-core microcontroller's cores into one flash image and proves it."""

__version__ = "0.1.0"
