"""Settings, and the TOML files that people write."""
