"""Keys, pass phrases, trust and the signing room: what the commands about seals share."""
