"""Keys of seals: in files, on tokens, and what each signature algorithm does."""
