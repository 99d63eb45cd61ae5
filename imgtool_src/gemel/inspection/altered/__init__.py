"""Images whose bytes are not those of the join: in another order, shifted, converted as text, changed."""
