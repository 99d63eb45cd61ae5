"""What both builds must agree on: symbols, types and conventions compared."""
