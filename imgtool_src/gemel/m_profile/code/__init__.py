"""Functions and all code of a build: followed from its entries, its constants, its stores, the tests that guard it."""
