"""An address or a symbol looked up: what each core finds there, and text from a bench with its addresses named."""
