"""The version of this tool, for reports and packaging."""

__version__ = "0.1.0"
