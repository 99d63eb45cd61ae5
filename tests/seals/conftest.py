"""Fixtures of the tests of seals and their keys."""

from few_rounds import few_rounds

__all__ = ["few_rounds"]
