"""The layout: TOML to a frozen model, its checks and its JSON Schema."""
