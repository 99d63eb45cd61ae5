"""What builds show of their contract: symbols, types, constants, objects in shared areas."""
