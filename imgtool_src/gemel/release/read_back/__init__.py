"""A second pair of eyes: what gemel wrote, read by other libraries and compared byte by byte."""
